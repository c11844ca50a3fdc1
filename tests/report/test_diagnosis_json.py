"""The JSON document and its schema, checked with the `jsonschema` library."""

import copy
import json

import jsonschema
import pytest

import bustrace
from bustrace.faults import FAMILIES, Fault
from bustrace.report import (
    diagnosis_document,
    diagnosis_json,
    diagnosis_schema,
    diagnosis_text,
)

SMALL = "tide_gauge_clock_stops"


VALIDATOR = jsonschema.Draft202012Validator(diagnosis_schema())


def _errors(document):
    return [error.message for error in VALIDATOR.iter_errors(document)]


def test_the_schema_fits_its_own_metaschema():
    """JSON Schema 2020-12, as the document itself says."""
    schema = diagnosis_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.slow
def test_every_verdict_fits_the_schema(verdict_on, fixture_name):
    """Each fixture's document is valid, and is what the diagnosis says."""
    diagnosis, reading = verdict_on(fixture_name)
    document = json.loads(diagnosis_json(diagnosis, reading))
    assert _errors(document) == []
    assert document["schema"] == "bustrace.diagnosis/1"
    assert document["exit_code"] == diagnosis.exit_code
    assert [s["fault"] for s in document["suspects"]] == [str(s.fault) for s in diagnosis.suspects]
    assert [len(s["alike"]) for s in document["suspects"]] == [
        len(s.alike) for s in diagnosis.suspects
    ]
    assert [f["count"] for f in document["findings"]] == [f.count for f in diagnosis.findings]
    assert len(document["capture"]["lines"]) == len(reading.capture.lines)


@pytest.mark.slow
def test_a_capture_without_cycles_fits_too(verdict_on):
    """Nothing known is null, not 0 and not absent."""
    document = diagnosis_document(*verdict_on("tide_gauge_healthy_channels", hooked=False))
    assert _errors(document) == []
    assert document["clock"]["period_ps"] is None
    assert document["derail"] is None
    assert document["capture"]["lines"][0] == {
        "name": "CH0", "pin": None, "inverted": None, "why": None, "place": None,
    }  # fmt: skip
    assert document["questions"]


def test_a_state_capture_without_a_rate_fits_too(tmp_path):
    """Rows without times: no rate, no clock line, the address null where it was not captured."""
    rows = "\n".join(f"{n % 2},1,1" for n in range(40))
    (tmp_path / "few.csv").write_text(f"D0,RW,RES\n{rows}\n", encoding="ascii")
    capture = bustrace.open_capture(tmp_path / "few.csv", mode="state")
    reading = bustrace.read_boot(capture)
    document = diagnosis_document(bustrace.diagnose(reading), reading)
    assert _errors(document) == []
    assert document["capture"]["rate_hz"] is None
    assert document["board"]["source"] is None


def test_addresses_and_times_are_whole_numbers(verdict_on):
    """The derail has its address and its time in picoseconds."""
    diagnosis, reading = verdict_on(SMALL)
    derail = diagnosis_document(diagnosis, reading)["derail"]
    assert derail["time_ps"] == diagnosis.derail.time_ps
    assert type(derail["address"]) is int
    assert derail["address"] == reading.cycles.address[derail["cycle"]]


@pytest.mark.slow
def test_the_address_is_the_one_on_the_bus(verdict_on):
    """A10 tied low: the document tells what was captured, not what the CPU meant."""
    diagnosis, reading = verdict_on("tide_gauge_a10_stuck_low")
    derail = diagnosis_document(diagnosis, reading)["derail"]
    assert derail["address"] == int(reading.cycles.address[derail["cycle"]])
    assert derail["address"] != int(reading.program.intent.address[derail["cycle"]])


@pytest.mark.slow
def test_a_program_gets_what_a_person_reads(verdict_on):
    """Headline, place, evidence, steps and cautions stand in the text word for word."""
    diagnosis, reading = verdict_on("tide_gauge_io_always_drives")
    document = diagnosis_document(diagnosis, reading)
    text = " ".join(diagnosis_text(diagnosis, reading, everything=True).plain().split())
    words = [document["headline"], *document["next_steps"], *document["cautions"]]
    for suspect in document["suspects"]:
        words += [suspect["where"], *suspect["explains_words"], *suspect["against_words"]]
        words.append(suspect["words"][1:])
        assert len(suspect["alike_words"]) == len(suspect["alike"])
    assert len(words) > 12
    assert [told for told in words if told not in text] == []
    assert "ROM reads differ from the image (3,054 of 3,333)" in words


def test_every_fault_family_fits_the_pattern():
    """The schema's pattern for fault ids holds the whole vocabulary and nothing else."""
    schema = {"$ref": "#/$defs/fault", "$defs": diagnosis_schema()["$defs"]}
    validator = jsonschema.Draft202012Validator(schema)
    texts = [
        "stuck:A9=1@bus", "short:D1+D4@bus", "open:A7@U4", "clip:A3", "silent:U4",
        "doubled:U4+U6", "swapped:U4+U6", "always:U6", "content:U4", "cell:U6.0012.3=1",
        "plane:U6.3", "retention:U6", "register:U9", "clock:stops", "reset:held", "held:IRQ=0",
        "cpu:U1", "shared:ram-bank",
    ]  # fmt: skip
    assert {Fault.parse(text).family for text in texts} == set(FAMILIES)
    assert [text for text in texts if not validator.is_valid(text)] == []
    wrong = ["stuck", "stuck:", "melted:U4", "stuck:A9=2@bus", "stuck:A9=1@", "stuck:A 9=1@bus"]
    assert [text for text in wrong if validator.is_valid(text)] == []


def _paths(value, path=()):
    """Every place in a document, leaves and branches."""
    yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value[:1])
    for key, item in inner:
        if isinstance(item, dict | list):
            yield from _paths(item, (*path, key))
        else:
            yield (*path, key)


@pytest.mark.slow
def test_the_schema_is_strict(verdict_on):
    """Leaving out any key, adding one, or putting an object in any place makes it invalid."""
    document = diagnosis_document(*verdict_on(SMALL))
    assert _errors(document) == []
    for path in list(_paths(document))[1:]:
        broken = copy.deepcopy(document)
        place = broken
        for step in path[:-1]:
            place = place[step]
        value = place[path[-1]]
        place[path[-1]] = {"not": "this"}
        assert _errors(broken), f"an object is taken at {path}"
        place[path[-1]] = value
        if isinstance(value, dict):
            value["extra"] = 1
            assert _errors(broken), f"an unknown key is taken at {path}"
            del value["extra"]
        if isinstance(place, dict):
            del place[path[-1]]
            assert _errors(broken), f"{path} may be left out"


def test_the_document_is_plain_ascii(verdict_on):
    """Any encoding of a pipe can carry it."""
    assert diagnosis_json(*verdict_on(SMALL)).isascii()
