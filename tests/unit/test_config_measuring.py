"""`parts` and `context` of a configuration: what becomes of them, every fault with its place, every warning, the schema."""

import copy
import json
from decimal import Decimal

import jsonschema
import pytest
import yaml

from collector.cli import main
from collector.config.plan import read_plan
from collector.config.schema import configuration_schema
from collector.errors import ConfigError
from collector.outputs import OUTPUTS

BASE = """\
site: cell-4
ports:
  line: {device: /dev/ttyS9, format: sizes}
  off: {device: /dev/ttyS8, format: deviations}
  scanner: {device: /dev/ttyS7, format: label}
formats:
  sizes: {pattern: '^(?P<channel>[A-Z]\\d) +(?P<value>[+-]?\\d+\\.\\d+)$', unit: mm}
  deviations: {pattern: '^(?P<value>[+-]\\d+\\.\\d+)$', unit: um, reads: deviation}
  label: {pattern: '^(?P<part>[A-Z]+-\\d+)/(?P<serial>\\d+)$'}
parts:
  PH-200:
    bore: {channel: line/A1, KEYS}
MORE
context:
  CONTEXT
outputs:
  mes: {kind: csv, folder: FOLDER}
"""
LIMITED = "nominal: 12 mm, limits: {lower: 0 mm, upper: 18 um}"
LOW = "name: low, size: 12 mm, within: 1 um"
GATE = "gate: {port: scanner}"


def text_of(keys=LIMITED, more="", context=GATE, folder="/srv/mes/inbox"):
    """`keys` of the bore; `more` characteristics of its part; @ in them is LIMITED, $ is LOW."""
    keys, more = (text.replace("@", LIMITED).replace("$", LOW) for text in (keys, more))
    return BASE.replace("KEYS", keys).replace("MORE", f"    {more}").replace("CONTEXT", context).replace("FOLDER", str(folder))


def placed(text):
    """The text without its ▸, and where they stood: `line:column`."""
    places = []
    while "▸" in text:
        before, _, after = text.partition("▸")
        places.append(f"{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}")
        text = before + after
    return text, places


def plan_of(tmp_path, text):
    (tmp_path / "c.yaml").write_text(text, encoding="utf-8")
    return read_plan(tmp_path / "c.yaml")


def faults(tmp_path, text):
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, text)
    return [str(fault).removeprefix(f"{tmp_path}/c.yaml:") for fault in caught.value.faults]


def one_of(tmp_path, keys, name="bore", more=""):
    return plan_of(tmp_path, text_of(keys, more)).parts["PH-200"].characteristics[name]


# --- a characteristic measured by a channel: its keys, and the one fault that is told of them

FAULTS = [                                             # ▸ stands where the fault is said to be; it is no part of the file
    ("nominal: 12 mm, tolerance: ▸H12",
     "tolerance 'H12' is not in the table; H is covered in grades 5 to 11, up to 500 mm"),
    ("nominal: 12 mm, tolerance: ▸K9",
     "tolerance 'K9' is not in the table; K is covered in grades 6 to 8, over 3 up to 120 mm; for a shaft, k9 is covered"),
    ("nominal: 12 mm, tolerance: ▸7H",
     "'7H' is not a tolerance class; write one class, its letter before its grade, as in H7, g6 or JS7"),
    ("nominal: 600 mm, tolerance: ▸H7",
     "tolerance 'H7' is not in the table for 600 mm; H is covered in grades 5 to 11, up to 500 mm"),
    ("nominal: 12 mm, tolerance: ▸H7, limits: {max: 12 mm}",
     "limited in two ways at once (tolerance and limits); keep one"),
    ("unit: mm, tolerance: ▸H7",
     "tolerance needs a nominal; add nominal: 12 mm"),
    ("nominal: 0.75 in, unit: in, tolerance: ▸H7",
     "the deviations of H7 are micrometres, and 21 um has no finite number of digits in in; leave unit out (then it is mm), or write limits"),
    ("nominal: 0.75 in, unit: in, tolerance: ▸JS7",
     "the deviations of JS7 are micrometres, and -10.5 um has no finite number of digits in in; leave unit out (then it is mm), or write limits"),
    ("nominal: ▸0 mm",
     "nominal 0 mm is not above zero; write the size, as in 12 mm"),
    ("nominal: ▸-12 mm",
     "nominal -12 mm is not above zero; write the size, as in 12 mm"),
    ("limits: ▸{lower: 0 mm}",
     "limits as deviations need a nominal; add nominal, or write the limits as min and max"),
    ("unit: mm, limits: ▸{upper: 1 um}",
     "limits as deviations need a nominal; add nominal, or write the limits as min and max"),
    ("unit: ▸thou, nominal: 12 mm, limits: {lower: 0 mm, upper: 18 um}",
     "'thou' is not one of the words for 'unit'; write 'mm', 'um', 'in' or 'uin'"),
    ("unit: in, nominal: ▸12 mm, limits: {max: 12 mm}",
     "nominal: 12 mm has no finite number of digits in in; write it in in, or add unit: mm"),
    ("nominal: 12 mm, limits: ▸{lower: 1 um, upper: 1 um}",
     "limits leave no room: both are 12.001 mm; give a tolerance, or one side only"),
    ("@, feature: ▸bore",
     "'bore' is not one of the words for 'feature'; write 'hole', 'shaft' or 'other'"),
    ("@, within: ▸0 s",
     "within is zero; write how long the readings of a part belong together, as in 2 min"),
    ("@, rule: ▸stringent",
     "rule stringent needs an uncertainty; add uncertainty: 1 um (expanded, k = 2)"),
    ("@, rule: ▸proven",
     "rule proven needs an uncertainty; add uncertainty: 1 um (expanded, k = 2)"),
    ("@, rule: ▸strict",
     "'strict' is not one of the words for 'rule'; write 'simple', 'stringent' or 'proven'"),
    ("@, rule: ▸stringent, uncertainty: 10 um",
     "no size passes: 12 + 0.010 = 12.010 is above 12.018 - 0.010 = 12.008; use a gauge with less uncertainty, or rule: simple"),
    ("nominal: 12 mm, tolerance: H7, rule: ▸proven, uncertainty: 0.0091 mm",
     "no size passes: 12.000 + 0.0091 = 12.0091 is above 12.018 - 0.0091 = 12.0089; use a gauge with less uncertainty, or rule: simple"),
    ("nominal: 12 mm, uncertainty: ▸1 um",
     "uncertainty is given, but no limits; add limits, or leave it out"),
    ("@, uncertainty: ▸0 um",
     "'0 um' is not above zero; write a length above zero, as in 0.5 um"),
    ("@, evaluate: ▸{settled: {band: 1 um, time: 1 s}, sweep: {report: max}}",
     "evaluated in two ways at once (settled and sweep); keep one"),
    ("@, evaluate: ▸always",
     "'always' is no way to evaluate; write each, {settled: …} or {sweep: …}"),
    ("@, evaluate: {sweep: {report: max, until: ▸quiet}}",
     "until: quiet and the time quiet go together; write until: quiet, quiet: 2 s"),
    ("@, evaluate: {sweep: {report: max, quiet: ▸2 s}}",
     "until: quiet and the time quiet go together; write until: quiet, quiet: 2 s"),
    ("@, evaluate: {sweep: {report: max, until: quiet, quiet: ▸0 s}}",
     "quiet is zero; write the time without a reading that ends it, as in 2 s"),
    ("@, evaluate: {settled: {band: 1 um, time: ▸0 s}}",
     "time is not from 1 ms to 1 min; write how long the reading must be still, as in 300 ms"),
    ("@, evaluate: {settled: {band: ▸0 um, time: 1 s}}",
     "'0 um' is not above zero; write a length above zero, as in 0.5 um"),
    ("@, evaluate: {▸settled: {band: 1 um}}",
     "required key 'time' is missing; add time: …"),
    ("@, evaluate: {sweep: {report: ▸spread}}",
     "'spread' is not one of the words for 'report'; write 'tir', 'max', 'min' or 'mean'"),
    ("@, evaluate: {sweep: {report: max, ▸untill: marks}}",
     "unknown key 'untill'; did you mean 'until'?"),
    ("nominal: 12 mm, limits: ▸{lower: 0 mm, upper: 18 um}, evaluate: {sweep: {report: tir}}",
     "a tir is no deviation from the nominal; write its limit as max, as in limits: {max: 5 um}"),
    ("nominal: 12 mm, tolerance: ▸H7, evaluate: {sweep: {report: tir}}",
     "a tir is no deviation from the nominal; write its limit as max, as in limits: {max: 5 um}"),
    ("@, masters: [{$}, {name: ▸low, size: 12.01 mm, within: 1 um}]",
     "master 'low' stands here a second time; keep one"),
    ("@, masters: [{$}, {name: high, size: ▸12000 um, within: 1 um}]",
     "masters low and high have the same size; two masters that should give the gain differ in size, near the two limits"),
    ("@, masters: [▸{name: low, size: 12 mm}]",
     "required key 'within' is missing; add within: …"),
    ("@, masters: [{$, due: ▸31.3.2027}]",
     "'31.3.2027' is not a date; write year, month and day, as in 2027-03-31"),
    ("@, masters: [{$, due: ▸2027-02-29}]",
     "'2027-02-29' is not a date; write year, month and day, as in 2027-03-31"),
    ("@, masters: [{$, due: ▸9999-12-31}]",
     "'9999-12-31' is not in the years 2000 to 2199; leave it out where there is no end"),
    ("@, masters: [{$, every: ▸0 h}]",
     "every is zero; write how long a check is good, as in 8 h"),
    ("@, masters: [{$, every: ▸3654 d}]",
     "every is longer than 10 years; leave it out where a check is good until the next one"),
    ("@, masters: [{$, parts: ▸0}]",
     "'0' is not a whole number from 1 to 1000000000000"),
    ("@, masters: [{name: low, size: ▸0 mm, within: 1 um}]",
     "'0 mm' is not above zero; write a length above zero, as in 0.5 um"),
    ("@, masters: [{name: ▸a b, size: 12 mm, within: 1 um}]",
     "'a b' can't be a name; use letters, digits, - and _, at most 64 of them"),
    ("nominal: 0.75 in, masters: [{name: a, size: ▸19.06 mm, within: 1 uin}]",
     "size: 19.06 mm has no finite number of digits in in; write it in in, or add unit: mm"),
    ("@, classes: ▸{A: [12 mm, 12.01 mm], B: [12.009 mm, 12.018 mm]}",
     "classes 'A' (12 to 12.01) and 'B' (12.009 to 12.018) overlap; let one end where the next begins"),
    ("@, classes: ▸{A: [12.01 mm, 12 mm]}",
     "class 'A' (12.01 to 12) is crossed; put the smaller size first"),
    ("@, classes: ▸{A: [12 mm, 12 mm]}",
     "class 'A' (12 to 12) is empty; let it end above where it begins"),
    ("@, classes: {A: ▸[12 mm, 12.01 mm, 12.02 mm]}",
     "a class has two ends, not 3; write where it begins and where it ends, as in [12 mm, 12.006 mm]"),
    ("@, classes: {A: ▸12 mm}",
     "a class has two ends, not 1; write where it begins and where it ends, as in [12 mm, 12.006 mm]"),
    ("@, expansion: ▸11.5",
     "'11.5' is no coefficient of expansion; write it for each kelvin, as in 11.5e-6 (a steel)"),
    ("@, expansion: ▸9e-9",
     "'9e-9' is no coefficient of expansion; write it for each kelvin, as in 11.5e-6 (a steel)"),
]


@pytest.mark.parametrize("keys, said", FAULTS, ids=[keys for keys, _ in FAULTS])
def test_a_fault_of_a_characteristic_says_where_what_and_what_would_be_right(tmp_path, keys, said):
    text, (place,) = placed(text_of(keys))
    assert faults(tmp_path, text) == [f"{place}: {said}"]


# --- a second characteristic, and other parts

MORE_FAULTS = [
    ("b: ▸{channel: line/B1, resolution: 1 um}",
     ["has neither nominal nor unit; give nominal: 12 mm, or unit: mm"]),
    ("taper: {from: ▸upper - lower}",
     ["at character 1, there is no characteristic 'upper'; known here are bore"]),
    ("taper: {from: ▸bore * bore}",
     ["at character 6, two lengths are multiplied; put a number on one side, as in 0.5 * bore"]),
    ("taper: {from: ▸bore - 1}",
     ["at character 6, '-' joins a length and a number; join lengths with lengths; a number only multiplies or divides"]),
    ("taper: {from: ▸taper - bore}",
     ["'taper' is derived from itself; derive it from what a channel measures"]),
    ("taper: {from: ▸bore, channel: line/B1, nominal: 3 mm}",
     ["both channel and from are given; keep one: channel: PORT, or from: with an expression"]),
    ("taper: ▸{limits: {max: 1 um}}",
     ["a characteristic is measured by a channel or comes from others; give channel: PORT, or from: with an expression"]),
    ("taper: {from: bore, evaluate: ▸{sweep: {report: max}}}",
     ["evaluate does not go with from; give it to the characteristics that it comes from"]),
    ("taper: {from: bore, masters: ▸[{$}], expansion: ▸1e-5}",
     ["masters does not go with from; give it to the characteristics that it comes from",
      "expansion does not go with from; give it to the characteristics that it comes from"]),
    ("taper: {from: bore - b, within: ▸0 s}\n    b: {channel: line/B1, nominal: 3 mm}",
     ["within is zero; write how long the readings of a part belong together, as in 2 min"]),
    ("taper: {from: ▸bore - b}\n    b: {channel: line/B1, nominal: 3 mm, unit: um}",
     ["nothing says the unit of the result; its inputs are in mm and um; add unit: mm"]),
    ("b: {from: bore}\n    taper: {from: ▸bore - b}",
     ["nothing says the unit of the result; add unit: mm"]),
    ("b: {channel: ▸line/A1, nominal: 3 mm}",
     ["line/A1 measures 'bore' of this part already; one characteristic a channel within a part"]),
    ("b: {channel: ▸lime/A1, nominal: 3 mm}",
     ["there is no port 'lime'; did you mean 'line'?"]),
    ("b: {channel: ▸line/, nominal: 3 mm}",
     ["'line/' is no channel; write PORT or PORT/CHANNEL"]),
    ("b: {channel: ▸scanner, nominal: 3 mm}",
     ["this port is a source of context; it measures nothing; name a port that measures"]),
    ("b: {channel: off, unit: mm, masters: ▸[{$}], classes: ▸{A: [1 mm, 2 mm]}, limits: ▸{max: 12 mm}}",
     ["masters need sizes, and without a nominal the deviations of off are none; add nominal: 12 mm",
      "classes need sizes, and without a nominal the deviations of off are none; add nominal: 12 mm",
      "limits need sizes, and without a nominal the deviations of off are none; add nominal: 12 mm"]),
]


@pytest.mark.parametrize("more, said", MORE_FAULTS, ids=[more for more, _ in MORE_FAULTS])
def test_a_fault_between_characteristics_says_where_what_and_what_would_be_right(tmp_path, more, said):
    text, places = placed(text_of(more=more))
    assert faults(tmp_path, text) == [f"{place}: {one}" for place, one in zip(places, said, strict=True)]


@pytest.mark.parametrize("keys, said", [
    ("limits: {max: 5 um}, classes: {A: [0 um, 5 um]}, evaluate: {sweep: {report: tir}}", []),
    ("limits: ▸{max: 5 um}, classes: ▸{A: [0 um, 5 um]}, evaluate: {sweep: {report: max}}", ["limits", "classes"]),
    ("limits: {max: 5 um}, masters: ▸[{$}], evaluate: {sweep: {report: tir}}", ["masters"])])
def test_a_tir_of_deviations_is_a_size_without_a_nominal_and_nothing_else_of_them_is(tmp_path, keys, said):
    text, places = placed(text_of(more=f"b: {{channel: off, unit: mm, {keys}}}"))
    if not said:
        plan_of(tmp_path, text)
        return
    assert [fault.partition(" need")[0] for fault in faults(tmp_path, text)] == [f"{place}: {key}" for place, key in zip(places, said, strict=True)]


def test_of_a_circle_each_one_in_it_is_named_and_none_that_only_rests_on_it(tmp_path):
    found = faults(tmp_path, text_of(more="a: {from: b}\n    b: {from: c - bore}\n    c: {from: a}\n    rests: {from: a - bore}\n    half: {from: bore / 2}"))
    assert found == [f"{line}:15: '{name}' is derived from itself by way of {way}; derive it from what a channel measures"
                     for line, name, way in ((13, "a", "b"), (14, "b", "c"), (15, "c", "a"))]


def test_one_name_is_one_master_on_a_channel_and_may_be_another_on_another(tmp_path):
    other = "\n  PH-300:\n    bore: {channel: CHANNEL, nominal: 13 mm, masters: [{name: low, size: ▸SIZE, within: 1 um}]}"
    text, (place,) = placed(text_of("@, masters: [{$}]", other.replace("CHANNEL", "line/A1").replace("SIZE", "12.001 mm")))
    assert faults(tmp_path, text) == [f"{place}: master 'low' on line/A1 has another size in parts.PH-200.bore; "
                                      "one name is one master: give the other one a name of its own"]
    other = other.replace("▸", "")
    plan_of(tmp_path, text_of("@, masters: [{$}]", other.replace("CHANNEL", "line/A1").replace("SIZE", "12000 um")))
    plan_of(tmp_path, text_of("@, masters: [{$}]", other.replace("CHANNEL", "line/B1").replace("SIZE", "12.001 mm")))


@pytest.mark.parametrize("context, said", [
    ("gate: ▸{sets: [part]}", "context comes from nowhere; give port: a scanner's, or folder: where orders are dropped"),
    ("gate: ▸{port: line, folder: ./orders}", "context comes from a port and a folder at once; give port: a scanner's, or folder: where orders are dropped"),
    ("gate: {port: scanner}\n  more: {port: ▸scaner}", "there is no port 'scaner'; did you mean 'scanner'?"),
    ("gate: {port: scanner, applies-to: [line, ▸scanner]}", "port 'scanner' is a source of context itself; name ports that measure"),
    ("gate: {port: scanner, applies-to: [▸lime]}", "there is no port 'lime'; did you mean 'line'?"),
    ("gate: {port: scanner, applies-to: ▸[]}", "applies-to is empty; name at least one, or leave it out for all"),
    ("gate: {port: scanner, sets: ▸[]}", "sets is empty; name at least one, or leave it out for all"),
    ("gate: {port: scanner, sets: [part, ▸serail]}", "'serail' is nothing that a context sets; "
     "write some of part, lot, serial, operator, master, part-temperature, master-temperature"),
    ("gate: {port: scanner, until: ▸never}", "'never' is not one of the words for 'until'; write 'replaced' or 'used'"),
    ("gate: {port: scanner, ▸untill: used}", "unknown key 'untill'; did you mean 'until'?"),
    ("gate: {port: scanner}\n  mes: {folder: ./orders}\n  erp: {folder: ▸./orders/}", "./orders/ is the folder of context 'mes' too; one source a folder"),
])
def test_a_fault_of_context_says_where_what_and_what_would_be_right(tmp_path, context, said):
    text, (place,) = placed(text_of(context=context))
    assert faults(tmp_path, text) == [f"{place}: {said}"]


def test_two_sources_may_be_fed_by_one_scanner_and_by_folders_of_their_own(tmp_path):
    plan = plan_of(tmp_path, text_of(context="gate: {port: scanner, sets: [part]}\n  each: {port: scanner, sets: [serial], until: used}\n"
                                     "  mes: {folder: ./orders}\n  erp: {folder: ./erp}"))
    assert plan.scanners == {"scanner": ("gate", "each")} and list(plan.folders) == ["mes", "erp"]


# --- several at once


def test_faults_of_several_keys_of_one_characteristic_are_all_listed(tmp_path):
    keys = ("nominal: 12 mm, tolerance: H12, resolution: 1 um, masters: [{$}, {name: low, size: 13 mm, within: 1 um}, "
            "{name: top, size: 12 mm, within: 1 um}], classes: {A: [1 mm, 1 mm]}")
    found = faults(tmp_path, text_of(keys, "b: {channel: line/B1, nominal: 600 mm, tolerance: H7}\n    c: {from: zore}"))
    assert [fault.split(": ")[1].split(";")[0] for fault in found] == [
        "tolerance 'H12' is not in the table", "master 'low' stands here a second time", "masters low and top have the same size",
        "class 'A' (1 to 1) is empty", "tolerance 'H7' is not in the table for 600 mm", "at character 1, there is no characteristic 'zore'"]


def test_faults_between_the_keys_of_one_characteristic_are_all_listed_each_at_its_key(tmp_path):
    text, places = placed(text_of("tolerance: ▸H7, limits: ▸{lower: 1 um}, rule: ▸proven, evaluate: {sweep: {report: tir}}, from: ▸a"))
    tolerance, limits, rule, from_ = places
    assert [fault.split(";")[0] for fault in faults(tmp_path, text)] == [
        f"{tolerance}: a tir is no deviation from the nominal", f"{tolerance}: limited in two ways at once (tolerance and limits)",
        f"{tolerance}: tolerance needs a nominal", f"{limits}: a tir is no deviation from the nominal",
        f"{limits}: limits as deviations need a nominal", f"{rule}: rule proven needs an uncertainty", f"{from_}: both channel and from are given"]


def test_in_a_block_the_fault_is_in_the_line_of_its_key(tmp_path):
    text, places = placed(text_of(more="""seal:
      channel: line/B1
      nominal: 25 mm
      limits: {max: 25 mm}
      rule: ▸proven
      tolerance: ▸H7
      evaluate:
        sweep:
          report: max
          until: ▸quiet"""))
    assert [fault.split(";")[0] for fault in faults(tmp_path, text)] == [f"{places[2]}: until: quiet and the time quiet go together"]
    sound = text.replace("until: quiet", "until: marks")
    assert [fault.split(";")[0] for fault in faults(tmp_path, sound)] == [
        f"{places[0]}: rule proven needs an uncertainty", f"{places[1]}: limited in two ways at once (tolerance and limits)"]


# --- what becomes of it


@pytest.mark.parametrize("nominal", ["0.75 in", "750 thou"])
def test_an_inch_nominal_with_a_tolerance_code_is_judged_in_mm_exactly(tmp_path, nominal):
    """H7 over 18 up to 30 mm: 0, +21 um (ISO 286-2; verified in check-values); 0.75 in = 19.05 mm exactly."""
    one = one_of(tmp_path, f"nominal: {nominal}, tolerance: H7")
    assert (one.unit.value, one.nominal, one.limits.lower, one.limits.upper) == ("mm", Decimal("19.05"), Decimal("19.05"), Decimal("19.071"))


def test_inch_limits_without_a_code_stay_in_inches(tmp_path):
    one = one_of(tmp_path, "nominal: 750 thou, limits: {lower: -0.3 thou, upper: 12.7 um}, resolution: 1 uin")
    assert (one.unit.value, one.nominal, one.limits.lower, one.limits.upper) == ("in", Decimal("0.75"), Decimal("0.7497"), Decimal("0.7505"))
    assert one.resolution == Decimal("0.000001")


@pytest.mark.parametrize("keys, way", [
    ("evaluate: each", None), ("evaluate: {}", None),
    ("evaluate: {settled: {band: 0.5 um, time: 300 ms}}", ("settled", Decimal("0.0005"), 300_000_000, "over-range", 0)),
    ("evaluate: {settled: {band: 0.5 um, time: 300 ms, until: quiet, quiet: 2 s}}", ("settled", Decimal("0.0005"), 300_000_000, "quiet", 2_000_000_000)),
    ("evaluate: {sweep: {report: mean, until: marks}}", ("sweep", None, 0, "marks", 0))])
def test_evaluate_is_a_word_or_a_mapping_its_lengths_in_the_unit_of_the_characteristic(tmp_path, keys, way):
    stream = one_of(tmp_path, f"{LIMITED}, {keys}").stream
    assert (stream and (stream.way, stream.band, stream.time_ns, stream.until, stream.quiet_ns)) == way


def test_keep_readings_is_of_the_way_that_is_given(tmp_path):
    assert one_of(tmp_path, "@, evaluate: {sweep: {report: max, keep-readings: true}}").keep_readings
    assert one_of(tmp_path, "@, evaluate: {settled: {band: 1 um, time: 1 s, keep-readings: yes}}").keep_readings
    assert not one_of(tmp_path, "@, evaluate: {settled: {band: 1 um, time: 1 s}}").keep_readings


def test_masters_are_in_the_unit_of_their_characteristic_and_good_through_their_last_day(tmp_path):
    low, high = one_of(tmp_path, "@, masters: [{$, every: 8 h, parts: 200, due: 2027-03-31, "
                        "expansion: 11.5e-6}, {name: high, size: 12018 um, within: 2 um}]").masters
    assert (low.size, low.within, low.every_ns, low.parts, low.expansion) == (
        Decimal(12), Decimal("0.001"), 8 * 3_600_000_000_000, 200, Decimal("0.0000115"))
    assert low.due_ns == 1_806_537_600_000_000_000     # 2027-04-01T00:00:00Z
    assert (high.size, high.within, high.every_ns, high.parts, high.due_ns) == (Decimal("12.018"), Decimal("0.002"), None, None, None)


@pytest.mark.parametrize("text, value", [("11.5e-6", "0.0000115"), ("0.0000115", "0.0000115"), ("1e-8", "1E-8"), ("1e-4", "0.0001")])
def test_an_expansion_is_exact_and_its_range_has_both_ends(tmp_path, text, value):
    assert one_of(tmp_path, f"{LIMITED}, expansion: {text}").expansion == Decimal(value)


def test_a_derived_one_takes_the_unit_of_its_inputs_of_its_limits_or_its_own_and_may_be_nothing_or_less(tmp_path):
    more = "taper: {from: bore - b, TAPER}\n    b: {channel: line/B1, nominal: 3 mm}"
    for keys, unit, upper in (("feature: other", "mm", None), ("limits: {max: 5 um}", "um", "5"), ("unit: in, limits: {max: 25.4 um}", "in", "0.001"),
                              ("nominal: 0 mm, limits: {lower: -2 um, upper: 2 um}", "mm", "0.002")):
        one = one_of(tmp_path, LIMITED, "taper", more.replace("TAPER", keys))
        assert (one.unit.value, one.limits.upper) == (unit, upper and Decimal(upper)), keys
        assert one.channel == "" and one.expression.names == ("bore", "b")


def test_within_of_any_characteristic_is_of_its_part(tmp_path):
    plan = plan_of(tmp_path, text_of(more="half: {from: bore / 2, within: 2 min}\n  PH-300:\n    bore: {channel: line/A1, nominal: 13 mm}"))
    assert [plan.parts[part].within_ns for part in ("PH-200", "PH-300")] == [120_000_000_000, 600_000_000_000]


def test_a_source_of_context_sets_everything_on_every_port_that_measures_where_nothing_else_is_said(tmp_path):
    plan = plan_of(tmp_path, text_of(context="gate: {port: scanner}\n  mes: {folder: ./orders, sets: [lot], applies-to: [off], until: used}"))
    gate, mes = plan.sources["gate"], plan.sources["mes"]
    assert (gate.sets[:3], gate.ports, gate.used) == (("part", "lot", "serial"), ("line", "off"), False)
    assert (mes.sets, mes.ports, mes.used) == (("lot",), ("off",), True)
    assert plan.scanners == {"scanner": ("gate",)} and plan.folders == {"mes": tmp_path / "orders"}


# --- check: warnings, and folders of orders


def checked(tmp_path, capsys, text, *words):
    (tmp_path / "c.yaml").write_text(text, encoding="utf-8")
    code = main(["check", str(tmp_path / "c.yaml"), *words])
    said = capsys.readouterr()
    return code, said.out, said.err.splitlines()


OFF = "warning: ports.off: no characteristic names it; its readings are kept but not judged"


@pytest.mark.parametrize("keys, said", [
    ("@, uncertainty: 2.25 um", []),          # exactly a quarter of half of 18 um
    ("@, uncertainty: 2.251 um", ["warning: parts.PH-200.bore: uncertainty 0.002251 mm is more than a quarter of half the tolerance (0.009 mm); "
                                           "the gauge is weak for this tolerance"]),
    ("nominal: 12 mm, limits: {upper: 1 um}, uncertainty: 5 um", []),
    ("nominal: 12 mm", ["warning: parts.PH-200.bore has no limits; its readings get no verdict"]),
    ("@, classes: {A: [12 mm, 12.01 mm], C: [12.012 mm, 12.018 mm], B: [12.01 mm, 12.011 mm]}", [
        "warning: parts.PH-200.bore: no class from 12.011 to 12.012 mm"]),
    ("nominal: 12 mm, tolerance: g6, feature: hole", ["warning: parts.PH-200.bore: g6 is a tolerance of a shaft, the feature is a hole"]),
    ("nominal: 12 mm, tolerance: JS7, feature: shaft", ["warning: parts.PH-200.bore: JS7 is a tolerance of a hole, the feature is a shaft"]),
    ("nominal: 12 mm, tolerance: H7, feature: hole", []), ("nominal: 12 mm, tolerance: h7, feature: shaft", []), ("nominal: 12 mm, tolerance: h7", [])])
def test_a_warning_is_said_and_does_not_change_the_exit_code(tmp_path, capsys, keys, said):
    code, _, errors = checked(tmp_path, capsys, text_of(keys, folder=tmp_path))
    assert (code, errors) == (0, [OFF, *said])


def test_check_says_that_the_folder_of_orders_is_not_there(tmp_path, capsys):
    text = text_of(context="mes: {folder: ./orders}\n  gate: {port: scanner}", folder=tmp_path)
    code, _, errors = checked(tmp_path, capsys, text)
    assert code == 1 and errors == [OFF, f"{tmp_path}/c.yaml:15:17: folder {tmp_path}/orders does not exist; make it, or mount the share"]
    (tmp_path / "orders").mkdir()
    assert checked(tmp_path, capsys, text)[0] == 0


def test_faults_go_to_standard_error_and_the_exit_code_is_78(tmp_path, capsys):
    code, out, errors = checked(tmp_path, capsys, text_of("nominal: 12 mm, tolerance: H12"))
    assert (code, out, len(errors)) == (78, "", 1) and errors[0].startswith(f"{tmp_path}/c.yaml:12:57: tolerance 'H12'")


# --- the schema


SCHEMA = configuration_schema(OUTPUTS)
VALID = [
    text_of(), text_of("nominal: 0.75 in, tolerance: H7, feature: hole, resolution: 0.1 um, expansion: 11.5e-6"),
    text_of("@, rule: proven, uncertainty: 1 um, evaluate: each"),
    text_of("@, evaluate: {settled: {band: 0.5 um, time: 300 ms, until: quiet, quiet: 2 s, keep-readings: true}}"),
    text_of("unit: um, limits: {min: 1 um, max: 5 um}, evaluate: {sweep: {report: tir, until: marks}}"),
    text_of("@, masters: [{$, every: 8 h, parts: 200, due: 2027-03-31, expansion: 0.0000115}, {name: high, size: 12018 um, within: 2 um}]"),
    text_of("@, classes: {A: [12 mm, 12.009 mm], B: [12.009 mm, 12.018 mm]}", "taper: {from: bore - b, within: 2 min, limits: {max: 5 um}}\n"
            "    b: {channel: line/B1, nominal: 3 mm}"),
    text_of(context="gate: {port: scanner, sets: [part, serial], applies-to: [line], until: used}\n  mes: {folder: ./orders, until: replaced}"),
]


class _Guesses(yaml.SafeLoader):
    """YAML as editors read it: numbers and truth are guessed, dates stay text (YAML 1.2 knows none)."""


_Guesses.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in known if not tag.endswith("timestamp")] for first, known in yaml.SafeLoader.yaml_implicit_resolvers.items()}


@pytest.mark.parametrize("loader", [yaml.BaseLoader, _Guesses])
@pytest.mark.parametrize("text", VALID)
def test_the_schema_takes_every_valid_configuration(tmp_path, text, loader):
    plan_of(tmp_path, text)
    jsonschema.Draft202012Validator(SCHEMA).validate(yaml.load(text, loader))


def objects(tree, path=()):
    """Every mapping in a tree, with its path."""
    if isinstance(tree, dict):
        yield path, tree
    for key, below in tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ():
        yield from objects(below, (*path, key))


def test_the_schema_refuses_an_unknown_key_wherever_keys_are_known():
    validator, seen = jsonschema.Draft202012Validator(SCHEMA), set()
    for text in VALID:
        tree = yaml.load(text, yaml.BaseLoader)
        for path, _ in objects(tree):
            if path in {("ports",), ("formats",), ("parts",), ("context",), ("outputs",)} or len(path) == 2 and path[0] == "parts" or path[-1:] == ("classes",):
                continue                               # names are free here
            changed = copy.deepcopy(tree)
            found = changed
            for step in path:
                found = found[step]
            found["nonsense"] = "1"
            assert not validator.is_valid(changed), path
            seen.add(path[-1] if path else "")
    assert {"", "bore", "limits", "settled", "sweep", 0, "gate", "mes"} <= seen


@pytest.mark.parametrize("keys", [
    "@, evaluate: always", "@, classes: {A: [1 mm]}", "@, classes: {A: [1 mm, 2 mm, 3 mm]}", "@, masters: [{name: low, size: 12 mm}]",
    "@, evaluate: {sweep: {}}", "@, rule: strict"])
def test_the_schema_refuses_of_a_characteristic_what_check_refuses(tmp_path, keys):
    assert faults(tmp_path, text_of(keys)) and not jsonschema.Draft202012Validator(SCHEMA).is_valid(yaml.load(text_of(keys), yaml.BaseLoader))


@pytest.mark.parametrize("context", ["gate: {port: scanner, sets: [serail]}", "gate: {port: scanner, until: never}"])
def test_the_schema_refuses_of_context_what_check_refuses(tmp_path, context):
    text = text_of(context=context)
    assert faults(tmp_path, text) and not jsonschema.Draft202012Validator(SCHEMA).is_valid(yaml.load(text, yaml.BaseLoader))


def test_check_prints_the_schema(capsys):
    assert main(["check", "--schema"]) == 0 and json.loads(capsys.readouterr().out) == SCHEMA


@pytest.mark.parametrize("change", [("PH-200:", '"PH\\0":'), ("    bore:", '    "bo\\are":'),
                                    ("KEYS", '@, classes: {"1\\0s": [12 mm, 12.018 mm]}')])
def test_a_name_that_cannot_be_shown_is_refused(tmp_path, change):
    (tmp_path / "c.yaml").write_text(text_of("KEYS").replace(*change).replace("KEYS", LIMITED).replace("@", LIMITED))
    with pytest.raises(ConfigError, match="has a character that can't be shown"):
        read_plan(tmp_path / "c.yaml")
