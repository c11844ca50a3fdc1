"""How kernels are compiled; that they do the same uncached is tried in tests/capture."""

import gc

import pytest
from numba.core import event

from bustrace.compiled import compiled, compiled_part


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
