"""Which readings are of one part, what is derived from them, when a part is over; a restart changes nothing of it."""

from decimal import Decimal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.assembly import (MOST_OPEN, WITH_SERIAL_NS, Assembly, Got, PartPlan, Piece, derive, overall)
from collector.measuring.characteristic import Characteristic
from collector.measuring.expression import build_expression
from collector.measuring.units import Unit

S = 1_000_000_000
START = 1_800_000_000 * S
WITHIN = 60 * S


def plan(**characteristics: str) -> PartPlan:
    """Characteristics by name: empty ones are measured, the others derived by what they say."""
    return PartPlan({name: Characteristic(part="housing", name=name, unit=Unit.MM,
                                          expression=build_expression(text, characteristics) if text else None)
                     for name, text in characteristics.items()}, WITHIN)


TAPER = {"housing": plan(top="", bottom="", taper="top - bottom", twice="taper * 2"), "flange": plan(bore="", face=""),
         "ring": plan(bore="")}


class Cell:
    """Readings into parts, with what is derived from them, as the program does it; `over`: the parts that are over."""

    def __init__(self, plans: dict[str, PartPlan] = TAPER):
        self.work, self.now, self.count = Assembly(plans, {}), START, 0
        self.over: list[Piece] = []
        self.kept: dict[str, bytes] = {}

    def add(self, name: str, size: str | None = "1", serial: str = "", part: str = "housing", unit: Unit = Unit.MM,
            **said: str) -> Piece | None:
        self.count += 1
        got, said = Got(f"#{self.count}", size and Decimal(size), unit), said | ({"serial": serial} if serial else {})
        ended, piece = self.work.add(part, name, got, said, self.now)
        self.over += [ended] if ended else []
        while piece and (ready := self.work.derivable(piece)):
            for one in ready:
                got = Got("", derive(one, piece), one.unit)
                assert self.work.add(part, one.name, got, said, self.now) == (None, piece)
        if piece and not self.work.missing(piece):
            self.over.append(self.work.close(piece))
        return piece

    def restart(self) -> None:
        """Killed, and started again with what was to be kept."""
        for key in self.work.touched:
            self.kept.pop(key, None)
            if key in self.work.pieces:
                self.kept[key] = msgspec.json.encode(self.work.pieces[key])
        self.work = Assembly(TAPER, {key: msgspec.json.decode(text, type=Piece) for key, text in self.kept.items()})


def sizes(piece: Piece) -> dict[str, str]:
    return {name: str(got.value) for name, got in piece.got.items()}


# --- which readings belong together


def test_part_with_one_characteristic_is_its_reading_and_is_not_followed():
    cell = Cell()
    assert cell.add("bore", part="ring") is None and cell.add("bore", part="unknown") is None
    assert cell.work.pieces == {} and cell.work.due_ns() is None


def test_part_is_complete_when_all_is_in_and_then_it_is_gone():
    cell = Cell()
    piece = cell.add("top", "9")
    assert cell.work.missing(piece) == ["bottom", "taper", "twice"] and cell.over == []
    assert cell.add("bottom", "4") is piece
    assert cell.over == [piece] and cell.work.pieces == {} and cell.work.missing(piece) == []
    assert sizes(piece) == {"top": "9", "bottom": "4", "taper": "5", "twice": "10"}


def test_interleaved_serials_are_kept_apart():
    cell = Cell()
    for name, size, serial in (("top", "9", "A"), ("top", "8", "B"), ("bottom", "1", "B"), ("bottom", "2", "A")):
        cell.add(name, size, serial)
    assert [(piece.serial, sizes(piece)["taper"]) for piece in cell.over] == [("B", "7"), ("A", "7")]


def test_same_serial_of_two_parts_is_two_pieces():
    cell = Cell()
    assert cell.add("top", serial="A") is not cell.add("bore", serial="A", part="flange")


def test_readings_with_and_without_serial_are_not_mixed():
    cell = Cell()
    cell.add("top", serial="A")
    cell.add("bottom")
    assert cell.over == [] and len(cell.work.pieces) == 2


def test_without_serial_a_characteristic_that_comes_again_begins_the_next_part():
    cell = Cell()
    first, second = cell.add("top", "9"), cell.add("top", "8")
    assert cell.over == [first] and first is not second
    assert cell.work.missing(first) == ["bottom", "taper", "twice"]
    cell.add("bottom", "1")
    assert sizes(second)["taper"] == "7" and sizes(first) == {"top": "9"}


def test_without_serial_time_since_its_first_reading_ends_a_part():
    cell = Cell()
    first = cell.add("top")
    cell.now += WITHIN - 1
    assert cell.work.overdue(cell.now) == []
    assert cell.work.due_ns() == cell.now + 1
    cell.now += 1
    second = cell.add("bottom")
    assert cell.over == [first] and second is not first


def test_without_serial_the_time_of_a_part_runs_from_its_first_reading_whatever_comes_after():
    cell = Cell({"housing": plan(top="", middle="", bottom="")})
    first = cell.add("top")
    cell.now += WITHIN - 1
    assert cell.add("middle") is first
    cell.now += 1
    assert cell.add("bottom") is not first and cell.over == [first]


def test_reading_just_in_time_belongs_to_the_part():
    cell = Cell()
    first = cell.add("top")
    cell.now += WITHIN - 1
    assert cell.add("bottom") is first


def test_with_serial_a_part_is_waited_for_from_its_last_reading_on():
    cell = Cell()
    piece = cell.add("top", serial="A")
    for _ in range(3):
        cell.now += WITH_SERIAL_NS - 1
        assert cell.add("top", serial="A") is piece
    assert cell.work.overdue(cell.now + WITH_SERIAL_NS - 1) == []
    cell.now += WITH_SERIAL_NS
    assert cell.add("bottom", serial="A") is not piece
    assert cell.over == [piece]


def test_overdue_parts_are_closed_in_the_order_in_which_they_began():
    cell = Cell()
    late = cell.add("top", serial="A")
    cell.now += S
    plain = cell.add("bore", part="flange")
    cell.now += S
    early = cell.add("top")
    assert cell.work.overdue(cell.now + WITHIN) == [plain, early]
    assert cell.work.due_ns() == START + WITH_SERIAL_NS
    after = cell.add("top", serial="B")
    cell.now += S
    cell.add("top", serial="A")
    cell.work.touched.clear()
    assert cell.work.overdue(cell.now + WITH_SERIAL_NS) == [late, after] and cell.work.pieces == {}
    assert cell.work.touched == {"housing\nA", "housing\nB"}


def test_changeover_leaves_the_piece_without_serial_and_no_other():
    cell = Cell()
    plain, flange = cell.add("top"), cell.add("bore", part="flange")
    numbered = cell.add("top", serial="A")
    cell.work.touched.clear()
    assert cell.work.leave("housing") == [plain] and cell.work.leave("housing") == []
    assert cell.work.touched == {"housing\n"}
    assert sorted(map(id, cell.work.pieces.values())) == sorted([id(flange), id(numbered)])


def test_part_remembers_lot_and_operator_as_its_last_reading_knew_them():
    cell = Cell()
    cell.add("top", serial="A", lot="L1")
    assert cell.add("top", serial="A", lot="L2", operator="one").said == {"lot": "L2", "operator": "one"}
    assert cell.add("top", serial="A", operator="two").said == {"operator": "two"}


def test_piece_of_a_part_that_is_no_longer_configured_is_over():
    cell = Cell()
    cell.add("bore", part="flange")
    left = Assembly({"housing": TAPER["housing"]}, cell.work.pieces)
    assert [piece.part for piece in left.overdue(cell.now)] == ["flange"]


def fill(cell: Cell) -> None:
    for number in range(MOST_OPEN):
        cell.now += 1
        cell.add("top", serial=f"S{number}")


def test_beyond_the_most_the_one_that_waits_longest_is_given_up():
    cell = Cell()
    fill(cell)
    cell.now += 1
    cell.add("top", serial="S0")                       # the oldest has had a reading since
    assert cell.over == []
    new = cell.add("top", serial="new")
    assert [piece.serial for piece in cell.over] == ["S1"]
    assert len(cell.work.pieces) == MOST_OPEN and new in cell.work.pieces.values()


def test_beyond_the_most_a_clock_set_back_does_not_give_the_new_part_up():
    cell = Cell()
    fill(cell)
    cell.now = START - 3600 * S
    new = cell.add("top", serial="new")
    assert [piece.serial for piece in cell.over] == ["S0"]
    assert cell.add("bottom", serial="new") is new and cell.over[-1] is new


# --- what is derived


def test_derived_size_rests_on_its_inputs_in_their_units_exactly():
    cell = Cell({"housing": plan(top="", bottom="", third="(top - bottom) / 3")})
    cell.add("top", "1", unit=Unit.IN)
    piece = cell.add("bottom", "400", unit=Unit.UM)
    assert sizes(piece)["third"] == "8.333333"
    assert derive(TAPER["housing"].characteristics["taper"], piece) == 25


def test_measuring_again_drops_what_rested_on_the_old_size_and_derives_it_anew():
    wide = {"housing": plan(top="", bottom="", face="", taper="top - bottom", twice="taper * 2", low="bottom / 2",
                            both="twice + low")}
    cell = Cell(wide)
    for name, size in (("top", "9"), ("bottom", "4")):
        piece = cell.add(name, size, "A")
    assert sizes(piece) == {"top": "9", "bottom": "4", "taper": "5", "low": "2", "twice": "10", "both": "12"}
    kept = piece.got["low"]
    cell.add("top", "8", "A")
    assert sizes(piece) == {"top": "8", "bottom": "4", "taper": "4", "low": "2", "twice": "8", "both": "10"}
    assert piece.got["low"] is kept and cell.over == []


def test_reading_without_a_size_gives_nothing_derived_and_the_part_is_never_complete():
    cell = Cell()
    cell.add("top", "9", "A")
    piece = cell.add("bottom", None, "A")
    assert cell.work.missing(piece) == ["taper", "twice"] and cell.over == []


def test_size_that_is_measured_again_without_one_takes_the_derived_ones_away():
    cell = Cell({"housing": plan(top="", bottom="", face="", taper="top - bottom", twice="taper * 2")})
    cell.add("top", "9", "A")
    cell.add("bottom", "4", "A")
    assert cell.work.missing(cell.add("bottom", None, "A")) == ["face", "taper", "twice"]


@pytest.mark.parametrize("verdicts, missing, found", [
    (("pass", "pass"), [], "pass"), (("pass", ""), [], "pass"), (("pass", "fail", "undecided"), [], "fail"),
    (("fail",), ["top"], "fail"), (("pass", "undecided"), [], "undecided"), (("pass",), ["top"], "undecided"),
    (("", ""), [], ""), (("",), ["top"], ""), ((), ["top"], "")])
def test_part_is_as_its_worst_reading(verdicts, missing, found):
    got = {str(number): Got("", Decimal(1), Unit.MM, verdict) for number, verdict in enumerate(verdicts)}
    assert overall(Piece("housing", "", 0, 0, got), missing) == found


# --- whatever happens


readings = st.lists(st.one_of(
    st.tuples(st.sampled_from(["top", "bottom"]), st.integers(0, 99).map(str), st.sampled_from(["", "", "A", "B"]),
              st.integers(0, 40)),
    st.just("restart")), max_size=30)


def grouped(readings: list) -> list[dict[str, Decimal]]:
    """The parts that are over, each as its last sizes; those without a serial can be over unfinished."""
    over, open_, began, now = [], {}, {}, 0
    for name, size, serial, after in readings:
        now += after
        one = open_.get(serial)
        if one and not serial and (name in one or now >= began[serial] + 60):
            over.append(open_.pop(serial))
            one = None
        if one is None:
            one, began[serial] = open_.setdefault(serial, {}), now
        one[name] = Decimal(size)
        if len(one) == 2:
            over.append(open_.pop(serial))
    return over


@given(readings)
def test_any_order_of_readings_and_restarts_gives_the_parts_that_a_plain_walk_gives(readings):
    cell, given_out = Cell(), []
    for one in readings:
        if one == "restart":
            cell.restart()
            continue
        name, size, serial, after = one
        cell.now += after * S
        cell.add(name, size, serial)
        given_out += [(piece, msgspec.json.encode(piece)) for piece in cell.over[len(given_out):]]
    wanted = grouped([one for one in readings if one != "restart"])
    for piece, one in zip(cell.over, wanted, strict=True):
        taper = one["top"] - one["bottom"] if len(one) == 2 else None
        found = one if taper is None else one | {"taper": taper, "twice": taper * 2}
        assert {name: got.value for name, got in piece.got.items()} == found
        assert cell.work.missing(piece) == [name for name in TAPER["housing"].characteristics if name not in found]
    assert all(msgspec.json.encode(piece) == before for piece, before in given_out)     # over is over


WIDE = {"housing": plan(a="", b="", c="", never="", d="a - b", e="d + c", f="max(e, a)")}


@given(st.lists(st.tuples(st.sampled_from("abc"), st.one_of(st.none(), st.integers(0, 99)))))
def test_what_is_derived_is_always_that_of_the_newest_sizes(readings):
    cell = Cell(WIDE)
    newest: dict[str, int | None] = {}
    for name, size in readings:
        piece = cell.add(name, None if size is None else str(size), "A")
        newest[name] = size
        a, b, c = (newest.get(one) for one in "abc")
        d = None if None in (a, b) else a - b
        e = None if None in (c, d) else c + d
        derived = {"d": d, "e": e, "f": None if e is None else max(e, a)}
        wanted = newest | {one: value for one, value in derived.items() if value is not None}
        assert {one: got.value for one, got in piece.got.items()} == wanted
