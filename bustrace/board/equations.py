"""Equations of logic arrays: read into a small tree, never run as code.

    A15 & A14 & !PHI2 | A15 & !A14 & BANK

And is ``&`` or ``*``; or is ``|``, ``#`` or ``+``; not is ``!``, ``/`` or ``~`` in front. And binds
closer than or; parentheses as usual.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.board.nets import NET_FORMS, NO_NAMES, Names, parse_net
from bustrace.board.values import BadValue
from bustrace.board.wires import Net

MAX_LENGTH = 4096
MAX_DEPTH = 32
MAX_INPUTS = 16
"""Bounds on one equation: characters, nested parentheses, different nets (a 82S100 has 16 inputs;
from memory)."""

EQUATION_FORMS = 'nets joined by & (and), | (or), ! (not), such as "A15 & A14 | A15 & !BANK"'

_TOKEN = re.compile(
    r"\s*(?:(?P<name>R/W(?!\w)|\w[\w-]*(?:\s*\.\s*/?\s*\w+)?)|(?P<sign>[&*|#+!~/()]))",
    re.IGNORECASE | re.ASCII,
)


@dataclass(frozen=True, slots=True)
class Operation:
    """``and`` or ``or`` of two or more parts, ``not`` of one."""

    kind: Literal["and", "or", "not"]
    parts: tuple[Expression, ...]


Expression = Operation | Net


@dataclass(frozen=True, slots=True)
class _Token:
    text: str
    at: int
    is_name: bool


def parse_equation(text: object, names: Names = NO_NAMES) -> Expression:
    """Read an equation.

    Raises
    ------
    BadValue
        What is wrong and at which character, counted from 1.
    """
    if not isinstance(text, str):
        raise BadValue("this is not an equation", EQUATION_FORMS)
    if len(text) > MAX_LENGTH:
        raise BadValue(
            f"the equation has {len(text)} characters",
            f"at most {MAX_LENGTH} characters",
            found=text,
        )
    return _Parser(text, names).whole()


def inputs_of(expression: Expression) -> tuple[Net, ...]:
    """The nets an equation looks at, each once, in the order they appear; constants left out.

    Raises
    ------
    BadValue
        More than `MAX_INPUTS`.
    """
    found: dict[Net, None] = {}
    waiting: list[Expression] = [expression]
    while waiting:
        part = waiting.pop()
        if isinstance(part, Operation):
            waiting += reversed(part.parts)
        elif part.kind != "constant":
            found[replace(part, inverted=False)] = None
    if len(found) > MAX_INPUTS:
        raise BadValue(
            f"the equation looks at {len(found)} nets",
            f"at most {MAX_INPUTS} different nets",
        )
    return tuple(found)


def table_of(expression: Expression, inputs: tuple[Net, ...]) -> npt.NDArray[np.bool_]:
    """Whether the equation holds, for every combination of its inputs.

    Returns
    -------
    bool, shape (2 ** len(inputs),); ``inputs[0]`` is bit 0 of the index.
    """
    index = np.arange(1 << len(inputs), dtype=np.uint32)
    # Eight combinations a byte: an equation of thousands of signs stays a matter of milliseconds.
    levels = {
        net: np.packbits((index >> np.uint32(bit)) & 1 == 1) for bit, net in enumerate(inputs)
    }
    never = np.zeros((len(index) + 7) // 8, dtype=np.uint8)

    def evaluate(part: Expression) -> npt.NDArray[np.uint8]:
        if isinstance(part, Net):
            level = levels[replace(part, inverted=False)] if part.kind != "constant" else never
            inverted = part.inverted != (part.kind == "constant" and part.index == 1)
            return ~level if inverted else level
        held = evaluate(part.parts[0])
        if part.kind == "not":
            return ~held
        for other in part.parts[1:]:
            held = held & evaluate(other) if part.kind == "and" else held | evaluate(other)
        return held

    held = np.unpackbits(evaluate(expression), count=len(index))
    return held.astype(np.bool_)


class _Parser:
    """Recursive descent, no deeper than `MAX_DEPTH` parentheses."""

    def __init__(self, text: str, names: Names) -> None:
        self._text = text
        self._names = names
        self._tokens = self._split()
        self._next = 0

    def whole(self) -> Expression:
        expression = self._any_of(0)
        token = self._look()
        if token is not None:
            raise self._error(
                "there is no opening parenthesis for this"
                if token.text == ")"
                else "an operator is missing before this",
                token.at,
            )
        return expression

    def _split(self) -> list[_Token]:
        tokens = []
        at = 0
        end = len(self._text.rstrip())
        while at < end:
            match = _TOKEN.match(self._text, at)
            if match is None:
                at += len(self._text[at:]) - len(self._text[at:].lstrip())
                raise self._error("this sign means nothing here", at)
            kind = "name" if match["name"] else "sign"
            tokens.append(_Token(match[kind], match.start(kind), kind == "name"))
            at = match.end()
        return tokens

    def _look(self) -> _Token | None:
        return self._tokens[self._next] if self._next < len(self._tokens) else None

    def _takes(self, signs: str) -> _Token | None:
        token = self._look()
        if token is None or token.is_name or token.text not in signs:
            return None
        self._next += 1
        return token

    def _any_of(self, depth: int) -> Expression:
        parts = [self._all_of(depth)]
        while self._takes("|#+"):
            parts.append(self._all_of(depth))
        return parts[0] if len(parts) == 1 else Operation("or", tuple(parts))

    def _all_of(self, depth: int) -> Expression:
        parts = [self._factor(depth)]
        while self._takes("&*"):
            parts.append(self._factor(depth))
        return parts[0] if len(parts) == 1 else Operation("and", tuple(parts))

    def _factor(self, depth: int) -> Expression:
        inverted = False
        while self._takes("!~/"):
            inverted = not inverted
        opening = self._takes("(")
        if opening is not None:
            if depth == MAX_DEPTH:
                raise self._error(f"more than {MAX_DEPTH} parentheses are nested", opening.at)
            inside = self._any_of(depth + 1)
            if not self._takes(")"):
                raise self._error("this parenthesis is not closed", opening.at)
            return Operation("not", (inside,)) if inverted else inside
        token = self._look()
        if token is None:
            raise self._error("a net is missing at the end", len(self._text.rstrip()))
        if not token.is_name:
            raise self._error("a net is missing before this", token.at)
        self._next += 1
        try:
            net = parse_net(token.text, self._names)
        except BadValue as bad:
            raise self._error(bad.what, token.at, NET_FORMS) from None
        return replace(net, inverted=net.inverted != inverted)

    def _error(self, what: str, at: int, expected: str = EQUATION_FORMS) -> BadValue:
        rest = self._text[at : at + 40].split("\n")[0].strip()
        return BadValue(
            f"{what}, at character {at + 1} of the equation",
            expected,
            found=rest or self._text[-40:] or "nothing",
        )
