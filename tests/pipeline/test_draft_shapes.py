"""`draft` over samples/shapes: what it reads is what the generator says is true, or it asks, or it refuses.

What is expected comes from tests/data/make_shapes.py, which begins with the true values and knows nothing of `draft`.
"""

import importlib.util
import json
import re
from decimal import Decimal
from pathlib import Path

import pytest

from collector.draft.drafting import draft
from collector.draft.proof import prove
from collector.draft.proposal import CannotDraft
from collector.draft.writing import as_yaml
from collector.ports.capture import read_capture
from collector.record import OverRange, Unread

ROOT = Path(__file__).parent.parent.parent
SHAPES = ROOT / "samples/shapes"
NAMES = sorted(path.stem for path in SHAPES.glob("*.txt"))

REFUSED = {                                            # shape -> a word of the reason
    "all-different": "too different", "channel-glued-to-digits": "glued", "comma-or-decimal-comma": "decimal comma",
    "digits-touching": "channel's name", "exponents": "exponent", "hyphen-or-minus": "between two fields",
           "no-number": "no frame holds a number",
    "several-unnamed": "nothing that names|nothing names", "sign-as-status": "sign", "sign-behind": "behind the digits",
    "sign-behind-negative-only": "behind the digits", "sign-field": "apart from the digits",
           "sign-letter": "likely its sign", "thousands": "thousands",
    "two-sizes": "each be the value", "two-whole-numbers": "each be the value", "wrong-line-settings": "7E1",
}
UNIT, DECIMALS = "^unit: the frames name no unit", "no decimal mark: how many"
ASKED = {                                              # shape -> the question that leaves more open than a name
    **dict.fromkeys(("channel-behind", "fixed-length", "plain-size", "serial-in-fields", "several-channels",
                     "several-fields", "several-glued",
                     "several-with-over-range", "stx-etx", "touching-columns", "touching-sometimes"), UNIT),
    **dict.fromkeys(("date-like-number", "implied-decimals", "implied-decimals-padded",
                     "running-number-and-whole-value"), DECIMALS),
    "mils": "'mil' is no unit", "check-unknown": "may be a checksum",
}


def truth(name):
    return [json.loads(line) for line in (SHAPES / f"{name}.records.jsonl").read_text(encoding="ascii").splitlines()]


def read(found):
    """What came out of a frame, written as the generator writes it."""
    if isinstance(found, Unread):
        return "unread"
    if len(found) == 1 and isinstance(found[0], OverRange):
        return "over-range"
    return [{**one.said, "over-range": True} if isinstance(one, OverRange) else
            {**one.said, "value": one.value, "unit": one.unit, **({"time": one.sent.local} if one.sent else {})}
            for one in found]


def true_of(line, unit, places):
    """The truth, with what the draft had to ask about taken as it took it: the unit, decimals that are not sent."""
    if "readings" not in line:
        return "unread" if line.get("unread") else "over-range"
    found = []
    for one in line["readings"]:
        if "value" not in one:
            found.append(one)
            continue
        value = Decimal(one["value"])
        found.append({**one, "value": value.scaleb(places), "unit": unit or one["unit"]})
    return found


def as_drafted(name):
    reads = read_capture(SHAPES / f"{name}.txt")
    made = draft(reads)
    return made, [read(found) for _, found in prove(as_yaml(made, "drafted"), reads)[0]]


@pytest.mark.parametrize("name", [name for name in NAMES if name not in REFUSED])
def test_every_frame_of_a_shape_is_read_as_it_is_true(name):
    made, found = as_drafted(name)
    asked = ASKED.get(name, "")
    unnamed = not any("unit" in one for line in truth(name) for one in line.get("readings", ()))
    assert unnamed == bool(made.entry.get("unit") == "mm"
                           and any(re.search(UNIT, question) for question in made.questions)) or name == "mils"
    unit = "thou" if name == "mils" else "mm" if unnamed else ""
    assert found == [true_of(line, unit, 4 if asked == DECIMALS else 0) for line in truth(name)]
    assert not asked or any(re.search(asked, question) for question in made.questions)
    assert 3 <= len(made.entry["examples"]) <= 6
    assert made.read == sum("unread" not in line for line in truth(name))


@pytest.mark.parametrize("name", REFUSED)
def test_a_shape_that_can_not_be_read_honestly_is_refused_with_the_reason(name):
    with pytest.raises(CannotDraft, match=REFUSED[name]):
        draft(read_capture(SHAPES / f"{name}.txt"))


def test_there_are_shapes_enough_and_each_is_accounted_for():
    assert len(NAMES) >= 40 and set(REFUSED) | set(ASKED) <= set(NAMES)
    assert (len(NAMES) - len(REFUSED) - len(ASKED), len(ASKED), len(REFUSED)) == (59, 17, 17)


def test_the_shapes_are_those_that_their_generator_makes(tmp_path):
    spec = importlib.util.spec_from_file_location("make_shapes", ROOT / "tests/data/make_shapes.py")
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    made.write(tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {path.name: path.read_bytes()
                                                                             for path in SHAPES.iterdir()}
    assert all(path.read_text(encoding="ascii").startswith("# invented line format: ") for path in SHAPES.glob("*.txt"))


@pytest.mark.parametrize("name", ["check-crc16-modbus-bytes", "decimal-comma-fields", "fixed-length", "kinds",
                                  "micro-sign", "several-with-head",
                                  "stx-etx", "time-iso"])
def test_a_draft_pasted_into_a_configuration_runs_its_capture(cell, name):
    said = cell.command("draft", str(SHAPES / f"{name}.txt"), "--name", "taken")
    assert said.returncode == 0 and not said.stderr
    cell.configure("site: cell-4\noutputs:\n  mes: {kind: jsonl, folder: ./inbox}\n" + said.stdout)
    tried = cell.command("try", str(cell.config), str(SHAPES / f"{name}.txt"), "--json")
    assert tried.returncode == 0, tried.stderr
    records = [json.loads(line, parse_float=Decimal, parse_int=Decimal) for line in tried.stdout.splitlines()]
    wanted = [one for line in truth(name) for one in line["readings"]]
    assert [(one["kind"], one.get("channel", ""), one.get("value", one.get("deviation"))) for one in records] == \
        [(one.get("kind", "measurement"), one.get("channel", ""), Decimal(one["value"])) for one in wanted]


def test_the_command_says_its_draft_as_json_and_why_it_has_none(cell):
    said = cell.command("draft", str(SHAPES / "over-range-dashes.txt"), "--json", "--name", "bore")
    told = json.loads(said.stdout)
    assert said.returncode == 0 and told["name"] == "bore" and told["entry"]["over-range"] == ["-------"]
    assert told["frames"] == told["read"] == 16
    assert {one["about"] for one in told["explanations"]} == {"port", "channel", "value", "unit",
                                                              "over-range"} and told["not-read"] == []
    refused = cell.command("draft", str(SHAPES / "sign-letter.txt"))
    assert refused.returncode == 1 and not refused.stdout and "likely its sign" in refused.stderr
    assert cell.command("draft", str(SHAPES / "none.txt")).returncode == 74
    assert cell.command("draft", str(SHAPES / "kinds.txt"), "--name", "a b").returncode == 2
