"""How kernels are compiled; that they do the same uncached is tried in tests/capture."""

import gc

import numpy as np
import pytest
from numba.core import event

from bustrace.compiled import (
    compiled,
    compiled_in_place,
    compiled_making_arrays,
    compiled_part,
)


@pytest.fixture
def collector():
    """Put the collector back as it was, whatever a test does."""
    was_on = gc.isenabled()
    yield
    (gc.enable if was_on else gc.disable)()


@compiled_part
def doubled(number):
    return 2 * number


@compiled
def doubled_and_one(number):
    return doubled(number) + 1


def test_a_part_works_within_a_kernel_and_as_the_plain_function_it_is():
    assert doubled_and_one(4) == 9
    assert doubled(4) == 8
    assert not hasattr(doubled, "py_func")


@compiled_in_place
def tripled(number):
    return 3 * number


@compiled
def tripled_and_one(number):
    return tripled(number) + 1


def test_a_part_in_place_does_the_same_and_numba_is_told(monkeypatch):
    assert tripled_and_one(4) == 13
    assert tripled(4) == 12
    told = []
    monkeypatch.setattr(
        "numba.extending.register_jitable", lambda **options: told.append(options) or (lambda f: f)
    )
    compiled_in_place(abs)
    compiled_part(abs)
    assert [options.get("forceinline", False) for options in told] == [True, False]


@compiled_making_arrays
def counted(n):
    return np.arange(n)


@compiled
def filled(column):
    for k in range(column.size):
        column[k] = k
    return column.size


def test_a_kernel_counts_no_references_unless_it_makes_arrays():
    """What is told to numba, and that both kinds do their work."""
    column = np.zeros(5, np.int64)
    assert filled(column) == 5
    np.testing.assert_array_equal(counted(5), column)
    assert filled.targetoptions["_nrt"] is False
    assert "_nrt" not in counted.targetoptions


@pytest.mark.parametrize("was_on", [True, False])
def test_the_collector_rests_while_a_kernel_and_its_parts_compile(collector, was_on):
    (gc.enable if was_on else gc.disable)()
    with event.trigger_event("numba:compile", data={}):
        assert not gc.isenabled()
        with event.trigger_event("numba:compile", data={}):
            assert not gc.isenabled()
        assert not gc.isenabled()
    assert gc.isenabled() == was_on


def test_the_collector_is_back_after_an_error_in_compiling(collector):
    gc.enable()
    with pytest.raises(ZeroDivisionError), event.trigger_event("numba:compile", data={}):
        1 / 0  # noqa: B018
    assert gc.isenabled()


def test_options_of_numba_are_equal_as_before():
    """Set to what they are anyway, or not set, is the same; another value is not."""
    from numba.core.compiler import Flags

    plain, told, other = Flags(), Flags(), Flags()
    told.nrt = plain.nrt
    other.nrt = not plain.nrt
    assert plain == told
    assert hash(plain) == hash(told)
    assert plain != other
    assert plain != "options"
    assert {plain: 1}[told] == 1
