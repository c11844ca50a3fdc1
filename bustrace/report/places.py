"""Where on the bus a cycle was."""

from __future__ import annotations

from bustrace.reading import Reading


def address_at(reading: Reading, cycle: int) -> int | None:
    """Address on the bus in a cycle, or the one the CPU meant; None where neither is known."""
    if not 0 <= cycle < len(reading.cycles):
        return None
    if reading.cycles.address_known[cycle] == 0xFFFF:
        return int(reading.cycles.address[cycle])
    intent = reading.program.intent
    if cycle < len(intent.address) and intent.address_known[cycle] == 0xFFFF:
        return int(intent.address[cycle])
    return None
