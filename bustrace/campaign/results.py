"""The results file: one JSON line a case, appended whole, so that a campaign can be resumed."""

from __future__ import annotations

import json
import os
from pathlib import Path

from bustrace.campaign.cases import Plan
from bustrace.campaign.playing import Result
from bustrace.errors import InputError

SCHEMA = "bustrace.campaign/1"
"""Names the format in the file's first line."""

Key = tuple[str, int]


class ResultsFile:
    """Results of one plan, by kind and number.

    Parameters
    ----------
    path : path
        Made where it is not there yet; resumed where it is. A last line that was cut short, as by
        a power failure, is dropped.
    plan : Plan

    Raises
    ------
    InputError
        The file is no results file, or of another plan.
    """

    def __init__(self, path: str | Path, plan: Plan) -> None:
        self.path = Path(path)
        self.results: dict[Key, Result] = {}
        head = {"schema": SCHEMA, "seed": plan.seed, "plan": plan.digest}
        if self.path.exists():
            self._resume(head)
        if not self.path.exists() or not self.path.stat().st_size:
            self._append(head)

    def add(self, result: Result) -> None:
        """Append one result."""
        self._append(result)
        self.results[result["kind"], result["case"]] = result

    def _resume(self, head: Result) -> None:
        content = self.path.read_bytes()
        whole = content[: content.rfind(b"\n") + 1]
        lines = whole.splitlines()
        for number, line in enumerate(lines, 1):
            try:
                value = json.loads(line)
                if number == 1:
                    self._check(value, head)
                else:
                    self.results[value["kind"], value["case"]] = value
            except (ValueError, KeyError, TypeError) as error:
                if isinstance(error, InputError):
                    raise
                raise InputError(
                    "this is not a line of a campaign's results",
                    path=self.path,
                    line=number,
                    found=line[:60].decode("utf-8", "replace"),
                    advice="name another file for the results",
                ) from None
        if not whole and content:
            raise InputError("this is no file of a campaign's results", path=self.path)
        if len(whole) < len(content):
            os.truncate(self.path, len(whole))

    def _check(self, found: Result, head: Result) -> None:
        if not isinstance(found, dict) or found.get("schema") != SCHEMA:
            raise InputError(
                "this is no file of a campaign's results", path=self.path, line=1, expected=SCHEMA
            )
        if found != head:
            raise InputError(
                "these are the results of another seed or other boards",
                path=self.path,
                line=1,
                advice="name another file for the results, or give the seed and boards again",
            )

    def _append(self, value: Result) -> None:
        line = (json.dumps(value, separators=(",", ":")) + "\n").encode()
        handle = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            os.write(handle, line)
        finally:
            os.close(handle)
