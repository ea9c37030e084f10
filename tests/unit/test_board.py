"""What a board makes of records and of what the daemon says of itself: a state, a place, a word for each channel."""

import html.parser
import re
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.clock import SystemClock
from collector.commands.board_view import lines
from collector.outputs.board_faults import Told as Said
from collector.outputs.board_faults import faults, told
from collector.outputs.board_known import MOST, Known
from collector.outputs.board_page import Times, page
from collector.outputs.board_tile import tile
from collector.outputs.board_words import SHOWN, clock_text, short
from collector.record import NONE, detail, number
from collector.service import status as service
from tests.seen.board_cells import Told, all_states, many, master, pump_cell, shown, stamp, status

H7 = ("0", "0.021")
OPEN = {"state": "open", "silent": False, "since": stamp(100), "last-frame": stamp(5)}


def known_of(records: Told) -> Known:
    known = Known()
    known.take(records.rows)
    return known


def only(records: Told, port: dict | None = None, masters: list | None = None):
    known = known_of(records)
    one, = known.circuits.values()
    return tile(one, OPEN if port is None else port, masters or [], known.unread.get(one.port))


def measured(*offsets: int, **fields) -> Told:
    records = Told()
    records.sizes("column/A1", "bore", "25", H7, list(offsets), **fields)
    return records


# --- the state of a channel


@pytest.mark.parametrize("offset, state, says", [
    (80, "pass", "+0.0080 mm from nominal"),
    (210, "pass", "+0.0210 mm from nominal"),
    (211, "fail-above", "0.0001 mm above the upper limit; scrap"),
    (-1, "fail-below", "0.0001 mm below the lower limit; can be reworked"),
])
def test_a_verdict_says_its_side_and_how_far_it_is_out(offset, state, says):
    found = only(measured(offset))
    assert (found.state, found.says, found.unit) == (state, says, "mm")
    assert Decimal(found.value) == 25 + offset * Decimal("0.0001")


def test_a_size_without_limits_is_measured_and_nothing_more():
    found = only(measured(12, lower=NONE, upper=NONE, verdict="", side=""))
    assert (found.state, found.bar, found.marks[0].place) == ("measured", None, None)


def test_no_part_hides_the_value_and_says_the_last():
    records = measured(80)
    records.add("over-range", port="column", channel="A1")
    found = only(records)
    assert (found.state, found.value, found.says) == ("no-part", "", "last: PASS 25.0080 mm")
    assert not found.current


def test_an_over_range_that_names_no_channel_is_of_every_channel_of_its_port():
    records = measured(80)
    records.sizes("column/B1", "seat", "25", H7, [80])
    records.sizes("other", "seat", "25", H7, [80])
    records.add("over-range", port="column")
    assert [(one.where, one.newest.kind) for one in known_of(records).circuits.values()] == [
        ("column/A1", "over-range"), ("column/B1", "over-range"), ("other", "measurement")]


def test_a_frame_that_could_not_be_read_takes_the_pass_off_the_board_until_the_next_reading():
    records = measured(80)
    records.add("unread", port="column", raw="x", detail=detail({"reason": "checksum"}))
    assert only(records).state == "not-read"
    assert only(records).says == "its checksum is wrong; last: PASS 25.0080 mm"
    records.sizes("column/A1", "bore", "25", H7, [90])
    assert only(records).state == "pass"


@pytest.mark.parametrize("port, state", [
    ({**OPEN, "silent": True}, "silent"), ({**OPEN, "state": "lost"}, "no-line"),
    ({**OPEN, "state": "waiting"}, "no-line"),
])
def test_a_line_that_is_gone_or_silent_goes_before_a_pass(port, state):
    found = only(measured(80), port)
    assert (found.state, found.value) == (state, "") and "last: PASS 25.0080 mm" in found.says


@pytest.mark.parametrize("offset, due, state", [
    (80, "good", "pass"), (80, "overdue-master", "master-due"), (80, "no-master-check", "master-due"),
    (80, "master-calibration-due", "master-due"), (80, "failed-master-check", "master-failed"),
    (250, "overdue-master", "fail-above"), (250, "failed-master-check", "master-failed"),
])
def test_a_pass_is_not_shown_as_good_without_a_valid_check_and_a_fail_is_never_hidden_by_one_that_is_due(
        offset, due, state):
    assert only(measured(offset), masters=[master("column/A1", "bore", "ring", due)]).state == state


def test_a_master_that_is_not_in_force_or_of_another_channel_says_nothing():
    others = [master("column/B1", "bore", "ring", "overdue-master"),
              {**master("column/A1", "bore", "ring", "overdue-master"), "in-force": False},
              master("column/A1", "seat", "ring", "overdue-master")]
    assert only(measured(80), masters=others).state == "pass"


@pytest.mark.parametrize("verdict, state", [("pass", "master-good"), ("fail", "master-failed")])
def test_a_check_on_the_master_is_shown_as_one(verdict, state):
    records = measured(80)
    records.add("master", port="column", channel="A1", characteristic="bore", verdict=verdict, unit="mm",
                value=number(Decimal("25.0007")), deviation=number(Decimal("0.0004")),
                detail=detail({"master": "ring"}))
    found = only(records)
    assert (found.state, found.value, found.says) == (state, "25.0007", "ring read +0.0004 mm off")


def test_every_state_is_on_the_invented_board(tmp_path):
    board = all_states(tmp_path)
    assert {one.state for one in board.tiles} == SHOWN.keys() - {"stopped"}


# --- where it lies


@pytest.mark.parametrize("offset, at, beyond", [(0, 20, False), (210, 80, False), (105, 50, False), (266, 96, False),
                                                (600, 97, True), (-300, 3, True)])
def test_a_value_stands_between_its_limits_where_it_is(offset, at, beyond):
    bar = only(measured(offset)).bar
    assert (bar.lower, bar.upper, bar.nominal) == (20, 80, 20)
    assert (round(bar.value), bar.beyond) == (at, beyond)


def test_with_one_limit_the_nominal_or_zero_stands_in_for_the_other():
    bar = only(measured(105, lower=NONE)).bar
    assert (bar.lower, bar.upper, bar.value) == (None, 80, 50)
    runout = Told()
    runout.sizes("column", "runout", "0", ("0", "5"), [25], "um", "sweep", "0.1", lower=NONE, nominal=NONE)
    assert only(runout).bar.value == 50


def test_the_strip_holds_the_last_twenty_with_their_places():
    marks = only(measured(*range(0, 250, 10))).marks
    assert len(marks) == 20 and [mark.verdict for mark in marks[-4:]] == ["pass", "fail", "fail", "fail"]
    assert marks[-4].place == 1 and marks[-1].side == "above"


def test_another_size_on_the_channel_begins_a_new_strip():
    records = measured(10, 20, 30)
    records.sizes("column/A1", "seat", "18", H7, [40])
    assert [mark.verdict for mark in only(records).marks] == ["pass"]


# --- the whole


def test_counts_are_of_the_lot_and_say_since_when(tmp_path):
    records = measured(80, 300)
    records.add("unread", port="column", detail=detail({"reason": "no-match"}))
    assert known_of(records).counts["column"].found == {"pass": 1, "fail": 1, "unread": 1}
    records.sizes("column/A1", "bore", "25", H7, [80, 90], lot="L-0416")
    counts = known_of(records).counts["column"]
    assert (counts.lot, counts.found) == ("L-0416", {"pass": 2})
    assert counts.since == known_of(records).circuits["column", "A1", ""].last[-2].time


def test_what_is_unread_before_the_first_reading_of_a_lot_is_counted_with_it():
    records = Told()
    records.add("unread", port="column", detail=detail({"reason": "no-match"}))
    records.sizes("column/A1", "bore", "25", H7, [80])
    assert known_of(records).counts["column"].found == {"pass": 1, "unread": 1}


def test_channels_come_in_the_order_of_their_numbers_and_derived_sizes_last(tmp_path):
    board = many(12, tmp_path)
    assert [one.where for one in board.tiles][:3] == ["bore-column-0/A0", "bore-column-0/A2", "bore-column-0/A4"]
    assert [one.where for one in board.tiles][5] == "bore-column-0/A10"
    assert pump_cell(tmp_path).tiles[-1].name == "taper"


def test_a_derived_size_of_a_part_no_longer_measured_goes_and_so_does_a_port_no_longer_configured(tmp_path):
    records = measured(80)
    records.sizes("", "taper", "0", ("-5", "5"), [1], "um", "derived", "1", part="PH-300")
    records.sizes("gone", "seat", "25", H7, [80])
    board = shown(records, status(column={}), {}, tmp_path)
    assert [one.where for one in board.tiles] == ["column/A1"]


def taper_of(records: Told) -> None:
    """A taper made of the newest reading of upper and of lower."""
    inputs = {name: max(row.seq for row in records.rows if f'"characteristic":"{name}"'.encode() in row.body)
              for name in ("upper", "lower")}
    records.sizes("", "taper", "0", ("-5", "5"), [1], "um", "derived", "1", detail=detail({
        "from": "upper - lower", "inputs": {name: f"cell-4-BOARD001-{seq}" for name, seq in inputs.items()}}))


def two_bores() -> Told:
    records = Told()
    records.sizes("column/U", "upper", "25", H7, [80])
    records.sizes("column/L", "lower", "25", H7, [70])
    taper_of(records)
    return records


def last_of(records: Told, folder, **daemon) -> tuple[str, str]:
    one = shown(records, status(column=daemon.pop("column", {})) | daemon, {}, folder).tiles[-1]
    return one.state, one.says


def test_a_derived_size_is_over_as_soon_as_what_it_was_made_of_is(tmp_path):
    records = two_bores()
    assert last_of(records, tmp_path)[0] == "pass"
    records.sizes("column/U", "upper", "25", H7, [90])
    assert last_of(records, tmp_path) == ("nothing", "last: PASS 1 um")
    records.sizes("column/L", "lower", "25", H7, [70])
    taper_of(records)
    assert last_of(records, tmp_path)[0] == "pass"
    records.add("over-range", port="column")
    assert last_of(records, tmp_path) == ("no-part", "last: PASS 1 um")


def test_a_derived_size_is_over_where_another_part_is_on_one_of_its_channels(tmp_path):
    records = two_bores()
    records.sizes("column/U", "seat", "18", H7, [80], part="PH-300")
    assert last_of(records, tmp_path) == ("nothing", "last: PASS 1 um")


def test_a_derived_size_of_a_derived_one_rests_on_the_same_channels(tmp_path):
    records = two_bores()
    records.sizes("", "twice", "0", ("-5", "5"), [2], "um", "derived", "1", detail=detail({
        "from": "2 * taper", "inputs": {"taper": "cell-4-BOARD001-3"}}))
    assert last_of(records, tmp_path)[0] == "pass"
    records.add("over-range", port="column", channel="L")
    assert last_of(records, tmp_path) == ("no-part", "last: PASS 2 um")
    records.sizes("column/L", "lower", "25", H7, [70])
    taper_of(records)
    assert last_of(records, tmp_path) == ("nothing", "last: PASS 2 um")


@pytest.mark.parametrize("daemon, found", [
    ({"column": {"state": "lost"}}, ("no-line", "because of upper; last: PASS 1 um")),
    ({"masters": [master("column/L", "lower", "ring", "overdue-master")]},
     ("master-due", "because of lower; the part: PASS")),
    ({"masters": [master("column/L", "lower", "ring", "failed-master-check")]},
     ("master-failed", "because of lower; last: PASS 1 um")),
    ({"since-boot-ns": 0}, ("stopped", "last: PASS 1 um")),
])
def test_a_derived_size_is_worth_no_more_than_what_it_was_made_of(tmp_path, daemon, found):
    assert last_of(two_bores(), tmp_path, **daemon) == found


def test_the_over_range_that_ends_a_turn_does_not_take_its_result_off_and_the_next_one_does():
    records = Told()
    records.sizes("column/A1", "runout", "0", ("0", "5"), [60], "um", "sweep", "0.1")
    records.add("over-range", port="column", channel="A1")
    assert only(records).state == "fail-above"
    records.add("over-range", 2, port="column", channel="A1")
    assert only(records).state == "no-part"


def test_a_port_is_no_channel_of_its_own_once_its_channels_are_known():
    records = Told()
    records.add("over-range", port="column")
    assert [one.where for one in known_of(records).circuits.values()] == ["column"]
    records.sizes("column/A1", "bore", "25", H7, [80])
    assert [one.where for one in known_of(records).circuits.values()] == ["column/A1"]


def test_no_verdict_and_no_line_looks_well_while_the_collector_is_not_running(tmp_path):
    board = shown(measured(80), status(column={}) | {"since-boot-ns": 0}, {}, tmp_path)
    one, = board.tiles
    assert (one.state, one.value, one.says) == ("stopped", "", "last: PASS 25.0080 mm")
    assert [(line.well, line.state) for line in board.lines] == [(False, "stopped")]


def test_a_port_of_labels_has_a_tile_only_while_something_is_wrong_with_it(tmp_path):
    assert not shown(Told(), status(scanner={"marks": 3}), {}, tmp_path).tiles
    one, = shown(Told(), status(scanner={"marks": 3, "state": "lost"}), {}, tmp_path).tiles
    assert one.state == "no-line"


def test_a_port_that_has_measured_nothing_has_a_tile_all_the_same(tmp_path):
    board = shown(Told(), status(column={}, other={"state": "lost"}), {}, tmp_path)
    assert [(one.name, one.state) for one in board.tiles] == [("column", "nothing"), ("other", "no-line")]


def test_a_wire_that_names_ever_new_channels_fills_no_memory():
    records = Told()
    for at in range(3 * MOST):
        records.sizes(f"column/X{at}", "bore", "25", H7, [80])
    circuits = known_of(records).circuits
    assert len(circuits) == MOST and ("column", f"X{3 * MOST - 1}", "") in circuits


def test_a_body_that_is_no_record_says_nothing_and_stops_nothing():
    records = measured(80)
    records.rows[0].body = b"{\n"
    records.sizes("column/A1", "bore", "25", H7, [90])
    assert only(records).value == "25.0090"


def test_a_daemon_that_has_not_spoken_for_ten_seconds_or_of_another_boot_has_stopped(tmp_path):
    daemon = status(column={})
    assert shown(Told(), daemon, {}, tmp_path).is_running
    late = {**daemon, "since-boot-ns": daemon["since-boot-ns"] - 11_000_000_000}
    assert not shown(Told(), late, {}, tmp_path).is_running
    assert not shown(Told(), {**daemon, "boot": "another"}, {}, tmp_path).is_running
    assert not shown(Told(), {}, {}, tmp_path).is_running


def test_a_daemon_that_was_stopped_is_so_at_once(tmp_path):
    daemon = status(column={})
    assert shown(Told(), {**daemon, "stopping": False}, {}, tmp_path).is_running
    assert not shown(Told(), {**daemon, "stopping": True}, {}, tmp_path).is_running


def test_whatever_status_says_needs_a_person_is_on_the_board(tmp_path):
    (tmp_path / "journal.sqlite.failed-20260302T071500Z").touch()
    daemon = status(lost={"state": "lost", "cause": "gone"}, quiet={"silent": True})
    daemon |= {"orders": {"mes": "its folder is away"}, "reload-refused": "c.yaml:1:1: wrong",
               "masters": [master("quiet", "bore", "ring", state) for state in
                           ("no-master-check", "overdue-master", "failed-master-check", "master-calibration-due",
                            "good")],
               "journal": {"full": True, "bytes": 5, "most": 4}}
    outputs = {"mes": {"error": "its share is away", "refused": 3}, "well": {"error": ""}}
    shown(Told(), daemon, outputs, tmp_path)
    found = faults(told(tmp_path, SystemClock()))
    whole = {**daemon, "running": True, "outputs": outputs,
             "journal": {**daemon["journal"], "set-aside": ["journal.sqlite.failed-20260302T071500Z"]}}
    assert len(found) == len(service._needs(whole)) == 13
    assert all(one.what and one.do for one in found)
    assert len(faults(Said({}, {}, (), False))) == 1


def test_a_status_file_that_is_cut_says_nothing(tmp_path):
    (tmp_path / "status.json").write_text('{"site": "cell-4", "por')
    assert told(tmp_path, SystemClock()) == Said({}, {}, (), False)


@given(st.text(), st.integers(2, 40))
def test_a_text_is_made_short_and_printable(text, most):
    found = short(text, most)
    assert len(found) <= most and all(char.isprintable() for char in found)


def test_a_time_of_today_is_a_time_of_day_and_another_has_its_date():
    assert re.fullmatch(r"\d\d:\d\d:\d\d", clock_text(stamp(0)))
    assert re.fullmatch(r"2026-03-0[123] \d\d:\d\d", clock_text("2026-03-02T07:15:00.000000Z"))
    assert (clock_text(""), clock_text("soon")) == ("", "soon")


# --- nothing from the wire becomes markup or a terminal command


class Elements(html.parser.HTMLParser):
    """The elements of a page with the names of their attributes, and its texts."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple] = []

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, *(name for name, _ in attributes)))


def dressed(text: str, tmp_path):
    """A board with this text wherever one can come from the wire, or from a device or a share."""
    records = Told()
    records.sizes("column", "bore", "25", H7, [80], part=text, lot=text, serial=text, operator=text, raw=text,
                  flags=(text,), channel=text, characteristic=text, class_=text)
    records.add("unread", port="other", raw=text, detail=detail({"reason": text, "why": text}))
    records.add("over-range", port="third", channel=text, raw=text, detail=detail({"text": text}))
    records.add("master", port="fourth", channel=text, verdict="fail", unit="mm", detail=detail({"master": text}))
    records.add("event", port="column", detail=detail({"event": "port-lost", "cause": text, "why": text}))
    records.add("suspect", port="column", detail=detail({"master": text, "count": 3}))
    records.add("part", part=text, serial=text, verdict="pass")
    daemon = status(column={}, other={}, third={}, fourth={}, fifth={"state": "lost", "cause": text})
    daemon |= {"context": {"column": {"part": text, "lot": text}}, "orders": {"mes": text}, "reload-refused": text,
               "masters": [master(f"column/{text}", text, text, "overdue-master")]}
    return shown(records, daemon, {"mes": {"error": text}}, tmp_path)


NASTY = ['<script>document.title="ran"</script>', '"><img src=x onerror=alert(1)>', "</style></script><b>", "'\"`&lt;",
         "{{ 7 * 7 }}{% raw %}", "javascript:alert(1)", "\x1b[2J\x07\x00", "\u202eevil", "<!--", "]]>", "\ud800",
         "http://plant.example/x.js", "url(http://plant.example)", "a" * 500]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(st.sampled_from([one for one in NASTY if one != "\ud800"]),
                      st.text(st.sampled_from("<>\"'&;/=!-`{}%# \x1b\r\nscriptimgonx\u202e"), max_size=40),
                      st.text(st.characters(exclude_categories=["Cs"]), max_size=40)))
def test_no_text_of_the_wire_changes_the_elements_of_the_page(text, tmp_path):
    pages = []
    for one in (text or "x", "x" * len(text or "x")):
        board = dressed(one, tmp_path)
        found = Elements()
        found.feed(page(board, Times("s", 0, 1000, 10_000)))
        pages.append(found.found)
    assert pages[0] == pages[1]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40))
def test_no_text_of_the_wire_reaches_a_terminal_raw(text, tmp_path):
    for line in lines(dressed(text, tmp_path), 100, 40, False):
        assert line.isprintable() or not line


# --- on a terminal


@pytest.mark.parametrize("width, height", [(80, 23), (120, 40), (200, 60)])
@pytest.mark.parametrize("made", [pump_cell, all_states, lambda folder: many(24, folder),
                                  lambda folder: many(1, folder)])
def test_a_board_fits_its_terminal_and_has_every_channel_with_its_word(tmp_path, made, width, height):
    board = made(tmp_path)
    found = lines(board, width, height, False)
    assert len(found) <= height and max(map(len, found)) <= width
    text = re.sub(r"\s", "", "".join(found))
    for word in {one.shown.word for one in board.tiles}:
        assert text.count(word.replace(" ", "")) >= sum(one.shown.word == word for one in board.tiles), word
    for one in board.tiles:
        assert one.value in text


def test_more_channels_than_lines_are_told_of(tmp_path):
    found = lines(many(24, tmp_path), 26, 10, False)
    assert len(found) == 10 and "more channels than lines" in found[-1] + found[-2]


def test_colours_are_only_there_where_they_are_wanted_and_mean_nothing_by_themselves(tmp_path):
    board = all_states(tmp_path)
    plain, coloured = lines(board, 80, 23, False), lines(board, 80, 23, True)
    assert "\x1b" not in "".join(plain)
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line).rstrip() for line in coloured] == [line.rstrip() for line in plain]
    assert "\x1b[1;97;41m" in "".join(coloured)

