"""Configuration: every fault at once, each with its place, what is wrong and what would be right."""

from decimal import Decimal

import pytest

from collector.config.explain import explain
from collector.config.plan import read_plan
from collector.errors import ConfigError

GOOD = """\
site: cell-4
ports:
  bore: {device: /dev/ttyS9, format: line}
formats:
  line: {pattern: '(?P<value>[+-]?\\d+\\.\\d+)', unit: mm}
parts:
  housing:
    bore: {channel: bore, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}}
outputs:
  mes: {kind: csv, folder: /srv/mes/inbox}
"""


def plan_of(tmp_path, text):
    path = tmp_path / "c.yaml"
    path.write_text(text, encoding="utf-8")
    return read_plan(path)


def faults(tmp_path, text):
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, text)
    return [str(fault).removeprefix(f"{tmp_path}/") for fault in caught.value.faults]


def test_the_smallest_useful_configuration_is_taken(tmp_path):
    plan = plan_of(tmp_path, GOOD)
    one = plan.ports["bore"].channels[""]["housing"]
    assert (one.limits.lower, one.limits.upper, one.nominal) == (Decimal(12), Decimal("12.018"), Decimal(12))
    assert plan.ports["bore"].line.baud == 9600 and plan.warnings == ()
    assert any("passes from 12 mm to 12.018 mm, both included" in line for line in explain(plan)["words"])


LIMITS = "limits: {lower: 0 mm, upper: +0.018 mm}"
PATTERN = "pattern: '(?P<value>[+-]?\\d+\\.\\d+)', unit: mm"


@pytest.mark.parametrize("old, new, said", [
    ("nominal: 12 mm", "nominel: 12 mm", "c.yaml:8:27: unknown key 'nominel'; did you mean 'nominal'?"),
    ("site: cell-4", "sight: cell-4", "c.yaml:1:1: unknown key 'sight'; did you mean 'site'?"),
    ("site: cell-4", "site: cell-4\njournal: {gather: 200 ms}", "c.yaml:2:19: 200 ms is too long to gather: a line may bring more than the "
     "kernel holds for it; write 0 ms to 100 ms"),
    ("nominal: 12 mm", "nominal: 12", "c.yaml:8:36: '12' has no unit; write a number and one of mm, um, in, uin, thou, as in 12.5 mm"),
    ("upper: +0.018 mm", "upper: 0.018", "c.yaml:8:72: '0.018' has no unit; write a number and one of mm, um, in, uin, thou, as in 12.5 mm"),
    ("upper: +0.018 mm", "upper: 0.018 cm", "c.yaml:8:72: '0.018 cm': unit 'cm' is not known; write a number and one of"),
    (LIMITS, "limits: {lower: 0.02 mm, upper: 0.01 mm}", "c.yaml:8:51: limits are crossed: the lower one is 12.02 mm, the upper one 12.01 mm"),
    (LIMITS, "limits: {min: 12.02 mm, max: 12.01 mm}", "c.yaml:8:51: limits are crossed"),
    (LIMITS, "limits: {lower: 0 mm, max: 12 mm}", "c.yaml:8:51: limits are given both as deviations and as sizes; keep"),
    (LIMITS, "limits: {}", "c.yaml:8:51: no limit is given"),
    (LIMITS, "unit: in, " + LIMITS, "has no finite number of digits in in; write it in in, or add unit: mm"),
    (PATTERN, "pattern: '(?P<value>\\d+)(?=mm)', unit: mm", "c.yaml:5:19: can't be used:"),
    (PATTERN, "pattern: '(?P<value>\\d+) \\1', unit: mm", "back-references are not taken"),
    (PATTERN, "pattern: '\\d+', unit: mm", "c.yaml:5:19: says nowhere which text is the value; name it (?P<value>…)"),
    (PATTERN, "pattern: '(?P<valeu>\\d+)', unit: mm", "c.yaml:5:19: 'valeu' is nothing a reading says; did you mean 'value'?"),
    (PATTERN, PATTERN + ", fields: [value]", "c.yaml:5:9: a frame is read in two ways at once (pattern and fields); keep one of"),
    (", unit: mm}", "}", "c.yaml:5:9: no unit: neither the format nor its frames say it; add unit: mm"),
    ("format: line", "format: lime", "c.yaml:3:38: there is no format 'lime'; did you mean 'line'?"),
    ("channel: bore", "channel: bose/A1", "there is no port 'bose'; did you mean 'bore'?"),
    ("kind: csv", "kind: cvs", "c.yaml:10:15: there is no output kind 'cvs'; kinds are amqp, board, csv, jsonl, mqtt"),
    ("kind: csv", "kind: csv, delimeter: ;", "unknown key 'delimeter'; did you mean 'delimiter'?"),
    ("/dev/ttyS9", "ftp://x", "'ftp://x' is no serial line over TCP; write a path such as"),
    ("/dev/ttyS9", "/dev/ttyS9, character: 9N1", "'9N1' is no character format; write data bits, parity and stop bits"),
    ("/dev/ttyS9", "/dev/ttyS9, length: 8, gap: 20 ms", "frames are bounded in two ways at once (length and gap); keep one"),
    ("/dev/ttyS9", "/dev/ttyS9, gap: 20", "'20' is not a time; write a number and one of ms, s, min, h, d"),
    ("/dev/ttyS9", "/dev/ttyS9, baud: 9600.5", "'9600.5' is not a whole number from 50 to 4000000"),
    ("site: cell-4", "site: ../x", "c.yaml:1:7: '../x' can't be a name; use letters, digits, - and _"),
    ("outputs:\n  mes: {kind: csv, folder: /srv/mes/inbox}\n", "", "required key 'outputs' is missing"),
    (PATTERN, PATTERN + ", checksum: {kind: xor, after: 'Ω'}", "c.yaml:5:86: 'Ω' can't be bytes on the wire"),
    (PATTERN, PATTERN + ", checksum: {kind: crc-17/x}", "c.yaml:5:74: checksum 'crc-17/x' is not known; write xor, sum8"),
    (PATTERN, PATTERN + ", examples: [{frame: '12.018', readings: [{value: '12.01'}]}]", "the frame '12.018' is read as value 12.018, unit mm; correct"),
    (PATTERN, PATTERN + ", examples: [{frame: 'x', unread: number}]", "the frame 'x' is read as unread, no-match"),
    (PATTERN, PATTERN + ", examples: [{frame: 'x', unread: nonsense}]", "'nonsense' is no reason; reasons are no-match, number"),
])
def test_a_fault_says_where_what_and_what_would_be_right(tmp_path, old, new, said):
    assert old in GOOD
    found = faults(tmp_path, GOOD.replace(old, new, 1))
    assert any(said in fault for fault in found), found


def test_every_fault_is_listed_at_once_in_the_order_of_the_file(tmp_path):
    text = GOOD.replace("12 mm", "12").replace("format: line", "format: lime").replace("site: cell-4", "site: cell 4").replace("csv,", "cvs,")
    found = faults(tmp_path, text)
    assert [int(fault.split(":")[1]) for fault in found] == [1, 3, 8, 10]


def test_two_ports_on_one_device_are_refused_also_behind_a_link(tmp_path):
    real, link = tmp_path / "tty0", tmp_path / "stable"
    real.touch()
    link.symlink_to(real)
    text = GOOD.replace("/dev/ttyS9, format: line}", f"{real}, format: line}}\n  two: {{device: {link}, format: line}}")
    found, = faults(tmp_path, text)
    assert f"{link} is the device of port 'bore' too" in found


@pytest.mark.parametrize("limits, lower, upper", [
    ("{lower: -20 um, upper: -7 um}", "11.980", "11.993"), ("{upper: 0.5 thou, lower: 0 in}", "12", "12.0127"),
    ("{min: 11.99 mm}", "11.99", None), ("{upper: 18 um}", None, "12.018"), ("{lower: 0.006 mm, upper: 0.024 mm}", "12.006", "12.024")])
def test_limits_become_exact_sizes_in_the_unit_of_the_nominal(tmp_path, limits, lower, upper):
    one = plan_of(tmp_path, GOOD.replace("{lower: 0 mm, upper: +0.018 mm}", limits)).ports["bore"].channels[""]["housing"]
    assert (one.limits.lower, one.limits.upper) == tuple(None if text is None else Decimal(text) for text in (lower, upper))


def test_relative_folders_and_devices_begin_beside_the_configuration(tmp_path):
    plan = plan_of(tmp_path, GOOD.replace("/dev/ttyS9", "./tty").replace("/srv/mes/inbox", "../inbox"))
    assert plan.ports["bore"].line.device == str(tmp_path / "tty")
    assert plan.outputs["mes"].settings.folder == str(tmp_path.parent / "inbox")
    assert plan.state == tmp_path / "state"


@pytest.mark.parametrize("device, rest_ms", [("/dev/ttyS9", 500), ("socket://10.0.0.7:4001", 30_000), ("rfc2217://10.0.0.7:4001", 30_000)])
def test_a_frame_of_a_length_is_ended_by_quiet_that_no_way_to_it_makes(tmp_path, device, rest_ms):
    (tmp_path / "c.yaml").write_text(f"site: s\nports: {{p: {{device: '{device}', format: f, length: 9}}}}\n"
                                     "formats: {f: {pattern: '(?P<value>[0-9]+)', unit: mm}}\noutputs: {o: {kind: csv, folder: /srv/x}}\n")
    assert read_plan(tmp_path / "c.yaml").ports["p"].framing.quiet_ms == rest_ms
