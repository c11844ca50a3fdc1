"""Equations: against tables made by Python's own operators, and what is refused."""

import contextlib
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.board.equations import MAX_INPUTS, inputs_of, parse_equation, table_of
from bustrace.board.nets import Names
from bustrace.board.values import BadValue
from bustrace.board.wires import Net

NAMES = Names({"bank": 0, "mode_2": 1}, ("BANK", "MODE_2"))
NETS = ("A15", "A14", "A13", "R/W", "PHI2", "BANK", "MODE_2", "U7.Y3")

# An equation as a nest of tuples, written out and evaluated by Python: nothing of the parser.
Tree = tuple[object, ...]
LEAVES = st.sampled_from(NETS).map(lambda net: ("net", net)) | st.sampled_from(["high", "low"]).map(
    lambda word: ("constant", word)
)


def grown(part: st.SearchStrategy[Tree]) -> st.SearchStrategy[Tree]:
    parts = st.lists(part, min_size=2, max_size=4).map(tuple)
    joined = st.tuples(st.sampled_from(["and", "or"]), parts)
    return joined | st.tuples(st.just("not"), part)


TREES = st.recursive(LEAVES, grown, max_leaves=24)


def written(tree: Tree, signs: dict[str, str], tight: int = 0) -> str:
    kind, inner = tree
    if kind in ("net", "constant"):
        return str(inner)
    if kind == "not":
        return signs["not"] + written(inner, signs, 2)
    text = f" {signs[kind]} ".join(written(p, signs, 1 if kind == "or" else 2) for p in inner)
    binds = 0 if kind == "or" else 1
    return f"({text})" if binds < tight or (binds == 0 and tight == 1) else text


def holds(tree: Tree, levels: dict[str, bool]) -> bool:
    kind, inner = tree
    if kind == "net":
        return levels[inner]
    if kind == "constant":
        return inner == "high"
    if kind == "not":
        return not holds(inner, levels)
    return (all if kind == "and" else any)(holds(part, levels) for part in inner)


@pytest.mark.slow
@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    tree=TREES,
    signs=st.fixed_dictionaries(
        {
            "and": st.sampled_from("&*"),
            "or": st.sampled_from("|#+"),
            "not": st.sampled_from("!~/"),
        }
    ),
)
def test_an_equation_holds_where_python_says_so(tree: Tree, signs: dict[str, str]) -> None:
    expression = parse_equation(written(tree, signs), NAMES)
    inputs = inputs_of(expression)
    table = table_of(expression, inputs)
    assert table.shape == (1 << len(inputs),)
    words = [str(net) for net in inputs]
    for levels in product((False, True), repeat=len(words)):
        index = sum(level << bit for bit, level in enumerate(levels))
        assert table[index] == holds(tree, dict(zip(words, levels, strict=True)))


def test_and_binds_closer_than_or_and_not_closest() -> None:
    """Common practice for sums of products."""
    for text in ("A15 & A14 | A13", "A13 + A15*A14", "(A15 & A14) # A13"):
        expression = parse_equation(text)
        inputs = inputs_of(expression)
        order = [str(net) for net in inputs]
        table = table_of(expression, inputs)
        for a15, a14, a13 in product((0, 1), repeat=3):
            level = {"A15": a15, "A14": a14, "A13": a13}
            index = sum(level[net] << bit for bit, net in enumerate(order))
            assert table[index] == bool((a15 and a14) or a13)
    table = table_of(parse_equation("!A15 & A14"), (Net("address", 15), Net("address", 14)))
    assert table.tolist() == [False, False, True, False]


@pytest.mark.parametrize("text", ["R/W", "R/W & A15", "A15&R/W", "RW & A15", "/R/W"])
def test_the_slash_of_r_w_is_no_operator(text: str) -> None:
    assert Net("rw") in inputs_of(parse_equation(text))


@pytest.mark.parametrize(
    ("text", "what", "at"),
    [
        ("", "a net is missing at the end", 1),
        ("A15 &", "a net is missing at the end", 6),
        ("A15 A14", "an operator is missing", 5),
        ("(A15 & A14", "not closed", 1),
        ("A15)", "no opening parenthesis", 4),
        ("A15 & | A14", "a net is missing before this", 7),
        ("A15 ^ A14", "this sign means nothing here", 5),
        ("A15 & A16", "this is not a net", 7),
        ("A15 & NOBODY", "this is not a net", 7),
        ("__import__('os')", "an operator|means nothing|not a net", None),
        ("(" * 33 + "A15" + ")" * 33, "more than 32 parentheses", 33),
        ("A15 & " * 800 + "A14", "4803 characters", None),
    ],
)
def test_what_is_no_equation_is_refused_at_its_place(text: str, what: str, at: int | None) -> None:
    with pytest.raises(BadValue, match=what) as caught:
        parse_equation(text)
    if at is not None:
        assert f"at character {at} of the equation" in caught.value.what


def test_more_nets_than_a_logic_array_has_inputs_are_refused() -> None:
    nets = [f"A{bit}" for bit in range(16)]
    assert len(inputs_of(parse_equation(" | ".join(nets)))) == MAX_INPUTS
    with pytest.raises(BadValue, match="17 nets"):
        inputs_of(parse_equation(" | ".join([*nets, "R/W"])))


def test_the_longest_equation_over_all_inputs_is_evaluated() -> None:
    nets = [f"A{bit}" for bit in range(16)]
    text = " | ".join(["&".join(nets)] * 70)
    table = table_of(parse_equation(text), inputs_of(parse_equation(text)))
    assert np.flatnonzero(table).tolist() == [0xFFFF]


@pytest.mark.slow
@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.text("A15BRW/!&|()+*.~# \n$", max_size=60))
def test_whatever_is_written_is_an_equation_or_refused(text: str) -> None:
    with contextlib.suppress(BadValue):
        assert all(isinstance(net, Net) for net in inputs_of(parse_equation(text)))
