"""Every error of a board file names the file, the key, the value and what is allowed."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.board import Board, load_board
from bustrace.board.schema import TABLES, known_keys
from bustrace.errors import BoardError

GOOD = """
cpu = "6502"
[[chips]]
ref = "U4"
role = "rom"
range = "$E000-$FFFF"
"""
DECODER = """
[[chips]]
ref = "U7"
part = "74LS138"
inputs = { A = "A13", B = "A14", C = "A15" }
"""

# text after GOOD's last chip, key, parts of the message
CASES = {
    "misspelt key": ('rnage = "$0000"', "chips[0].rnage", ["U4", "'rnage'", "mean range?"]),
    "misspelt required key": ('[[chips]]\nreff = "U5"', "chips[1].reff", ["mean ref?"]),
    "board key inside a chip": ('clip = "U1"', "chips[0].clip", ["above the first [table]"]),
    "unknown key of select": (
        'select = { lin = "x" }',
        "chips[0].select.lin",
        ["mean line?", "one of line, active, phi2, pin"],
    ),
    "backwards range": (
        'write_range = "$9000-$8000"',
        "chips[0].write_range",
        ["U4", '"$9000-$8000"', "backwards", '"$8000-$FFFF"'],
    ),
    "bad item of a list": (
        'write_range = ["$0000-$00FF", "x"]',
        "chips[0].write_range[1]",
        ['"x"', "not a range"],
    ),
    "address too high": (
        'base = "$1E000"',
        "chips[0].base",
        ['"$1E000"', "outside the CPU's 64 KB", "$0000 to $FFFF"],
    ),
    "size": ('size = "9 MB"', "chips[0].size", ['"9 MB"', "64 KB"]),
    "truth value": ("socketed = 1", "chips[0].socketed", ["true or false", "found:    1"]),
    "wrong role": (
        'about = "x"\n[[chips]]\nref = "U5"\nrole = "roam"',
        "chips[1].role",
        ["'rom'", "U5"],
    ),
    "the cpu as a chip": ('[[chips]]\nref = "U5"\nrole = "cpu"', "chips[1].role", ["[cpu]"]),
    "reference twice": ('[[chips]]\nref = "u4"', "chips[1].ref", ["used twice", "chips[0].ref"]),
    "reference of a line": ('[[chips]]\nref = "RDY"', "chips[1].ref", ["CPU line"]),
    "reference with a dot": ('[[chips]]\nref = "U4.1"', "chips[1].ref", ["letters, digits"]),
    "reference that is a place": ('[[chips]]\nref = "bus"', "chips[1].ref", ["letters, digits"]),
    "no reference": ('[[chips]]\npart = "555"', "chips[1].ref", ["is missing", 'ref = "U4"']),
    "pin": ('pins = { A9 = "?" }', "chips[0].pins.A9", ['"?"', "pin number"]),
    "undecoded line": ('undecoded = "A17"', "chips[0].undecoded", ["A0 to A15"]),
    "data line": ('data = "D9"', "chips[0].data", ["D0 to D7"]),
    "undecoded without range": (
        '[[chips]]\nref = "U5"\nrole = "ram"\nundecoded = "A4"\nenable = { CS = "A1" }',
        "chips[1].undecoded",
        ["need a range"],
    ),
    "no addresses": ('[[chips]]\nref = "U5"\nrole = "ram"', "chips[1].range", ["nothing tells"]),
    "never answers": (
        '[[chips]]\nref = "U5"\nrole = "ram"\nenable = { CS1 = "A1", "/CS2" = "A1" }',
        "chips[1].enable",
        ["never answers"],
    ),
    "net": ('enable = { "/OE" = "A16" }', "chips[0].enable./OE", ['"A16"', "A0 to A15"]),
    "no such decoder": (
        'enable = { "/CE" = "U9.Y1" }' + DECODER,
        "chips[0].enable./CE",
        ["U9 is no decoder", "a logic array: U7"],
    ),
    "polarity": (
        'enable = { CE = "U7.Y7" }' + DECODER,
        "chips[0].enable.CE",
        ["U7.Y7 is low where it selects", '"/CE" = "U7.Y7"'],
    ),
    "polarity inverted": (
        'enable = { "/CE" = "!U7.Y7" }' + DECODER,
        "chips[0].enable./CE",
        ["!U7.Y7 is high where it selects", '"CE" = "!U7.Y7"', '"/CE" = "U7.Y7"'],
    ),
    "select pin": (
        'enable = { "/CE" = "A1" }\nselect = { pin = "/OE" }',
        "chips[0].select.pin",
        ["no such pin", "/CE"],
    ),
    "same select twice": (
        'select = "SEL"\n[[chips]]\nref = "U5"\nrole = "ram"\nrange = "$0000"\nselect = "sel"',
        "chips[1].select",
        ["U5 and U4 have the same select line"],
    ),
    "narrow memory": (
        '[[chips]]\nref = "U5"\npart = "2114"\nrange = "$0000-$03FF"',
        "chips[1].data",
        ["4 data line(s)", "D0-D3"],
    ),
    "bank of the wrong width": (
        '[[chips]]\nref = ["U5", "U6", "U8"]\npart = "2114"\nrange = "$0000-$03FF"',
        "chips[1].ref",
        ["2 reference(s)"],
    ),
    "prior of nothing": (
        "[priors]\nclp = 2",
        "priors.clp",
        ["'clp' is neither a family", "mean clip?", "silent", "U4"],
    ),
    "prior of no chip": ("[priors]\nU44 = 2", "priors.U44", ["'U44'", "mean U4?"]),
    "prior of what is not weighed": ("[priors]\nheld = 2", "priors.held", ["'held'", "stuck"]),
    "prior out of bounds": ("[priors]\nclip = 11", "priors.clip", ["found:    11", "0.1 to 10"]),
    "prior of zero": ("[priors]\nU4 = 0", "priors.U4", ["0.1 to 10"]),
    "prior that is no number": ("[priors]\nU4 = nan", "priors.U4", ["not a factor"]),
    "prior that is true": ("[priors]\nU4 = true", "priors.U4", ["not a factor"]),
    "prior twice": ("[priors]\nU4 = 2\nu4 = 3", "priors.u4", ["U4 stands here twice"]),
    "decoder pin": (
        DECODER.replace("C =", "D ="),
        "chips[1].inputs",
        ["no such pin here: D", "A, B, C"],
    ),
    "decoder pin missing": (
        DECODER.replace(', C = "A15"', ""),
        "chips[1].inputs",
        ["wiring of C is missing"],
    ),
    "decoder pin twice": (
        DECODER.replace("C =", "A0 ="),
        "chips[1].inputs",
        ["A is given twice"],
    ),
    "decoder net": (
        DECODER.replace("A15", "A55"),
        "chips[1].inputs.C",
        ['"A55"', "not a net"],
    ),
    "decoder output": (
        DECODER + 'outputs = { Y8 = "U4" }',
        "chips[1].outputs.Y8",
        ["no such output", "Y0 to Y7"],
    ),
    "decoder output's chip": (
        DECODER + 'outputs = { Y7 = "U44" }',
        "chips[1].outputs.Y7",
        ["no such chip", "mean U4?", "U44"],
    ),
    "outputs of another part": ('outputs = { Y0 = "U4" }', "chips[0].outputs", ["74LS138"]),
    "missing image": ('file = "x.bin"', "chips[0].file", ["no such file", "x.bin"]),
    "too many images": (f"files = {['a.bin'] * 17}", "chips[0].files", ["1 to 16 image files"]),
    "too many pins": (
        "enable = { " + ", ".join(f'P{n} = "high"' for n in range(17)) + " }",
        "chips[0].enable",
        ["at most 16 entries"],
    ),
    "too many nets": (f"enable = {{ CS = {['A1'] * 9} }}", "chips[0].enable.CS", ["1 to 8 nets"]),
    "no images": ("files = []", "chips[0].files", ["not 1 to 16 image files"]),
    "clip's chip": ('[clip]\ndefault = "U3"', "clip.default", ["no such chip", "CPU, U4", "U3"]),
    "clip's line": ('[clip]\nRDYY = "U4"', "clip.RDYY", ["no line of the CPU", "mean RDY?"]),
    "clip's bus": ('[clip]\nD = "U4.3"', "clip.D", ["no single pin"]),
    "hold's line": ('[[holds]]\nline = "WAIT"\nlevel = 0', "holds[0].line", ["no line"]),
    "hold's level": ('[[holds]]\nline = "RDY"\nlevel = "up"', "holds[0].level", ["low"]),
    "hold's length": (
        '[[holds]]\nline = "RDY"\nlevel = 0\ncycles = 0',
        "holds[0].cycles",
        ["above zero"],
    ),
    "interrupt's chip": ('[irq]\nfrom = ["U4", "U9"]', "irq.from", ["no such chip", "U9"]),
    "clock rate": ('[clock]\nrate = "fast"', "clock.rate", ['"fast"', "1 MHz"]),
    "clock without rate": ('[clock]\nfrom = "U4"', "clock.rate", ["is missing"]),
}


@pytest.mark.parametrize("case", CASES)
def test_the_error_names_key_value_and_what_is_allowed(
    write_board: Callable[..., Board], tmp_path: Path, case: str
) -> None:
    text, key, parts = CASES[case]
    with pytest.raises(BoardError) as caught:
        write_board(GOOD + text + "\n")
    assert caught.value.path == str(tmp_path / "board.toml")
    assert caught.value.key == key
    for part in parts:
        assert part in caught.value.message


@pytest.mark.parametrize(
    ("content", "key", "parts"),
    [
        (b'cpu = "6502"', "format", ["format = 1, before anything else"]),
        (b'format = 2\ncpu = "6502"', "format", ["not known to this version", "found:    2"]),
        (b'format = true\ncpu = "6502"', "format", ["not known"]),
        (b"format = 1", "cpu", ["is missing", 'cpu = "6502"']),
        (b'format = 1\ncpu = "Z80"', "cpu.part", ["no known CPU", "6502A"]),
        (b'format = 1\ncpu = "65C816"', "cpu.part", ["not supported yet", "W65C02S"]),
        (b"format = 1\ncpu = 6502", "cpu.part", ["a text in quotes", "found:    6502"]),
        (b'format = 1\ncpu = { part = "6502", ref = "D1" }', "cpu.ref", ["CPU line"]),
        (b'format = 1\ncpu = "6502"\nchips = 3', "chips", ["a list"]),
        (b'format = 1\ncpu = "6502"\nchips = [3]', "chips[0]", ["a table"]),
        (b'format = 1\ncpu = "6502"\nclok = 1', "clok", ["mean clock?"]),
    ],
)
def test_errors_of_the_whole_file(
    tmp_path: Path, content: bytes, key: str, parts: list[str]
) -> None:
    (tmp_path / "b.toml").write_bytes(content)
    with pytest.raises(BoardError) as caught:
        load_board(tmp_path / "b.toml")
    assert caught.value.key == key
    for part in parts:
        assert part in caught.value.message


@pytest.mark.parametrize(
    ("content", "line", "column"),
    [
        (b"format = 1\ncpu = 6502A\n", 2, 11),
        (b'format = 1\ncpu = "6502', 2, 12),
        (b'format = 1\nname = "a"\nname = "b"\n', 3, 11),
        (b"format = 1\n\nrange = $8000\n", 3, 9),
        (b"format =", 1, 9),
        (b'format = 1\nname = "\xff"\n', 2, None),
    ],
)
def test_broken_toml_is_placed_by_line_and_column(
    tmp_path: Path, content: bytes, line: int, column: int | None
) -> None:
    (tmp_path / "b.toml").write_bytes(content)
    with pytest.raises(BoardError) as caught:
        load_board(tmp_path / "b.toml")
    assert caught.value.line == line
    if column is not None:
        assert caught.value.column == column


@pytest.mark.parametrize("text", ['name = "\\u001b[2J"', '"na\\u0007me" = 1', 'about = "\\u202e"'])
def test_texts_that_would_steer_a_terminal_are_refused(
    write_board: Callable[..., Board], text: str
) -> None:
    with pytest.raises(BoardError, match="control characters") as caught:
        write_board(text + "\n" + GOOD)
    assert all(letter.isprintable() or letter == "\n" for letter in caught.value.message)


@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    key=st.sampled_from([key for table in TABLES for key in known_keys(table)]),
    where=st.sampled_from(["", "[[chips]]\nref = 'U5'\n", "[cpu]\n", "[clock]\n", "[[holds]]\n"]),
    value=st.recursive(
        st.one_of(
            st.sampled_from(["nan", "inf", "1979-05-27", "07:32:00", "true", "1e400", "'A1'"]),
            st.integers(-(2**70), 2**70).map(str),
            st.text("U47.Y/!$A-Fx", max_size=8).map(lambda text: f"'{text}'"),
        ),
        lambda inner: st.one_of(
            st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
            st.dictionaries(st.sampled_from(["A", "Y0", "/CS", "from", "rate"]), inner).map(
                lambda pairs: "{" + ", ".join(f"'{k}' = {v}" for k, v in pairs.items()) + "}"
            ),
        ),
        max_leaves=4,
    ),
)
@pytest.mark.slow
def test_whatever_stands_under_a_key_loads_or_is_a_board_error(
    write_board: Callable[..., Board], key: str, where: str, value: str
) -> None:
    cpu = "" if where == "[cpu]\n" or key == "cpu" else 'cpu = "6502"\n'
    chip = GOOD.removeprefix('\ncpu = "6502"\n') if where else ""
    outcome: Board | BoardError
    try:
        outcome = write_board(f"{cpu}{chip}{where}{key} = {value}\n")
    except BoardError as error:
        outcome = error
    told = outcome.message if isinstance(outcome, BoardError) else outcome.cpu.variant
    assert told


def test_a_mark_at_the_start_of_the_file_is_skipped(tmp_path: Path) -> None:
    """Editors on some systems save UTF-8 with a byte-order mark (RFC 3629, section 6)."""
    (tmp_path / "b.toml").write_bytes(b'\xef\xbb\xbfformat = 1\ncpu = "6502"\n')
    assert load_board(tmp_path / "b.toml").cpu.part == "6502"


@pytest.mark.parametrize("kind", ["missing", "folder", "huge", "deep"])
def test_files_that_are_no_board_file_are_refused(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "b.toml"
    if kind == "folder":
        path.mkdir()
    elif kind == "huge":
        path.write_bytes(b"#" * ((1 << 20) + 1))
    elif kind == "deep":
        path.write_bytes(b"format = " + b"[" * 100_000)
    with pytest.raises(BoardError) as caught:
        load_board(path)
    assert caught.value.path == str(path)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("/etc/hostname", "absolute"),
        ("C:\\\\x.bin", "absolute"),
        ("\\\\x.bin", "absolute"),
        ("../x.bin", "leaves"),
        ("a/../../x.bin", "leaves"),
        ("a\\\\..\\\\x.bin", "leaves"),
        ("", "not a path"),
        ("link.bin", "link that leaves"),
        ("loop.bin", "cannot be followed|no such file"),
        ("folder", "not a file"),
        ("empty.bin", "empty"),
        ("huge.bin", "larger than the 64 KB"),
    ],
)
def test_images_stay_within_the_boards_folder_and_within_bounds(
    tmp_path: Path, name: str, message: str
) -> None:
    """A board file may come from a stranger: it must not read anything else."""
    home = tmp_path / "home"
    (home / "folder").mkdir(parents=True)
    (tmp_path / "x.bin").write_bytes(b"secret")
    (home / "link.bin").symlink_to(tmp_path / "x.bin")
    (home / "loop.bin").symlink_to(home / "loop.bin")
    (home / "empty.bin").touch()
    (home / "huge.bin").write_bytes(bytes((1 << 16) + 1))
    (home / "b.toml").write_text(f'format = 1\n{GOOD}file = "{name}"\n')
    with pytest.raises(BoardError, match=message) as caught:
        load_board(home / "b.toml")
    assert caught.value.key == "chips[0].file"


@pytest.mark.parametrize(
    ("chip", "sizes", "key", "message"),
    [
        ('range = "$F000-$FFFF"\nfile = "0.bin"', [0x2000], "file", "answers only 4096 addresses"),
        ('range = "$E000-$FFFF"\nsize = "4K"\nfile = "0.bin"', [0x2000], "file", "size says 4096"),
        ('range = "$8000-$FFFF"\npart = "2764"\nfile = "0.bin"', [0x4000], "file", "holds 8192"),
        ('range = "$D000-$EFFF"\nfile = "0.bin"', [0x2000], "base", 'base = "\\$C000"'),
        (
            'range = "$E000-$FFFF"\nfiles = ["0.bin", "1.bin"]',
            [0x2000, 0x1000],
            "files[1]",
            "differ in size",
        ),
        (
            'range = "$E000-$FFFF"\nfiles = { A = "0.bin", B = "1.bin" }',
            [0x2000, 0x1000],
            "files[B]",
            "differ in size",
        ),
        (
            'range = "$E000-$FFFF"\nfile = "0.bin"\nfiles = ["0.bin"]',
            [0x2000],
            "files",
            "exclude each other",
        ),
    ],
)
def test_images_that_do_not_fit_their_chip_are_refused(
    write_board: Callable[..., Board], chip: str, sizes: list[int], key: str, message: str
) -> None:
    images = {f"{index}.bin": bytes(size) for index, size in enumerate(sizes)}
    with pytest.raises(BoardError, match=message) as caught:
        write_board(f'cpu = "6502"\n[[chips]]\nref = "U4"\n{chip}\n', images)
    assert caught.value.key == f"chips[0].{key}"


@pytest.mark.parametrize(
    ("options", "key", "message"),
    [
        ({"without": ["U5"]}, "--without", "no such chip"),
        ({"without": ["cpu"]}, "--without", "without its CPU"),
        ({"fit": {"U5": "x.bin"}}, "--fit", "no such chip"),
        ({"fit": {"U6": "x.bin"}}, "--fit", "is no ROM"),
        ({"fit": {"CPU": "x.bin"}}, "--fit", "is no ROM"),
        ({"fit": {"U4": "no/such/file.bin"}}, "--fit", "no such file"),
    ],
)
def test_options_that_do_not_fit_the_board_are_refused(
    write_board: Callable[..., Board], options: dict[str, object], key: str, message: str
) -> None:
    ram = '[[chips]]\nref = "U6"\nrole = "ram"\nrange = "$0000-$07FF"\n'
    with pytest.raises(BoardError, match=message) as caught:
        write_board(GOOD + ram, **options)
    assert caught.value.key == key


def test_a_fitted_image_of_the_wrong_size_is_refused_under_its_option(
    write_board: Callable[..., Board], tmp_path: Path
) -> None:
    (tmp_path / "long.bin").write_bytes(bytes(0x4000))
    with pytest.raises(BoardError, match="do not fill the 8,192 of U4") as caught:
        write_board(GOOD, fit={"U4": tmp_path / "long.bin"})
    assert caught.value.key == "--fit"
    assert caught.value.found == str(tmp_path / "long.bin")


def test_more_chips_than_the_map_holds_are_refused(write_board: Callable[..., Board]) -> None:
    chips = "".join(
        f'[[chips]]\nref = "U{n}"\nrole = "io"\nrange = "${n:04X}"\n' for n in range(100, 133)
    )
    with pytest.raises(BoardError, match="at most 32 chips") as caught:
        write_board('cpu = "6502"\n' + chips)
    assert caught.value.key == "chips"
