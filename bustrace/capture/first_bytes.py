"""What a file that is no capture looks like, for a message that helps."""

from __future__ import annotations

from pathlib import Path

from bustrace.errors import CaptureError

_MARKS = (
    # RFC 1952, section 2.3.1; RFC 8878, section 3.1.1; the xz and bzip2 formats' own documents.
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a compressed file", "unpack it first"),
    (b"\xfd7zXZ\x00", "a compressed file", "unpack it first"),
    (b"BZh", "a compressed file", "unpack it first"),
    # PKWARE's APPNOTE, section 4.3.7: spreadsheets are zip archives, too.
    (b"PK\x03\x04", "a zip archive or a spreadsheet", "unpack it, or save the table as CSV"),
    # [MS-CFB], section 2.2.
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "a spreadsheet", "save the table as CSV"),
    # ISO 32000-1, section 7.5.2; ISO/IEC 15948, section 5.2; ISO/IEC 10918-1, B.1.1.3.
    (b"%PDF-", "a document (PDF)", "export the capture itself as VCD or CSV"),
    (b"\x89PNG", "a picture (PNG)", "export the capture itself as VCD or CSV"),
    (b"\xff\xd8\xff", "a picture (JPEG)", "export the capture itself as VCD or CSV"),
)
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_SAMPLE = 512


def what_it_is(head: bytes) -> tuple[str, str] | None:
    """Tell a file that is certainly no capture, and what to do with it.

    Parameters
    ----------
    head : bytes
        How the file begins.

    Returns
    -------
    (str, str) or None
        What it is and what to do; None where the first bytes tell nothing.
    """
    for mark, kind, advice in _MARKS:
        if head.startswith(mark):
            return kind, advice
    sample = head[:_SAMPLE]
    # Text of the Latin alphabet in UTF-16 has a zero in every other byte.
    zeros = [sample[half::2].count(0) / max(1, len(sample[half::2])) for half in (0, 1)]
    alternate = len(sample) > 8 and max(zeros) > 0.9 and min(zeros) < 0.1
    if head.startswith(_UTF_16) or (alternate and not is_binary(sample.replace(b"\0", b""))):
        return "UTF-16 text", "save it as UTF-8 text, or export the capture as plain CSV or VCD"
    return None


def refuse_known(head: bytes, path: str | Path) -> None:
    """Refuse a file whose first bytes say that no reader could take it.

    Raises
    ------
    CaptureError
    """
    known = what_it_is(head)
    if known is not None:
        raise CaptureError(
            f"the file is in no format that can be read: it looks like {known[0]}",
            path=path,
            expected="VCD or CSV as plain text, or a raw sample dump",
            advice=known[1],
        )


def is_binary(head: bytes) -> bool:
    """Whether bytes that no text holds are among the first."""
    return any(byte < 9 or 13 < byte < 27 or 27 < byte < 32 for byte in head[:_SAMPLE])


def shown(head: bytes) -> str | None:
    """The file's first line, or its first bytes in hex where it is no text."""
    if is_binary(head):
        return f"binary data, beginning with the bytes {head[:8].hex(' ').upper()}"
    lines = head.splitlines()
    return lines[0][:60].decode("latin-1") if lines else None
