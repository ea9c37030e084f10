"""What the measuring remembers: exactly what changed is kept, with the rows it belongs to or not at all."""

import sqlite3
from decimal import Decimal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.journal import Journal, Row
from collector.measuring.assembly import Assembly, Got, PartPlan
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.context import FIELDS, Context, Source
from collector.measuring.units import Unit
from collector.service.memory import Memory

NOW = 1_800_000_000_000_000_000
RING = Master(name="ring", size=Decimal("25.0005"), within=Decimal("0.001"))
BORE = Characteristic(part="housing", name="bore", unit=Unit.MM, channel="left/A", masters=(RING,))
FACE = Characteristic(part="housing", name="face", unit=Unit.IN, channel="left/B")
PLANS = {"housing": PartPlan({one.name: one for one in (BORE, FACE)}, 10**9)}
SOURCES = {name: Source(name=name, sets=FIELDS, ports=("left",), used=name == "label") for name in ("scan", "label")}


class Measuring:
    """Everything that has memory, over one of it."""

    def __init__(self, kept: dict[str, str]):
        self.memory = Memory(kept)
        self.context = Context(self.memory.fields, SOURCES, lambda part, master: ("left/A", "left/B"))
        self.assembly = Assembly(PLANS, self.memory.pieces)
        self.count = 0

    def changed(self) -> dict[str, str | None]:
        found = self.memory.changed(self.context.touched, self.assembly.touched)
        self.context.touched = False
        self.assembly.touched.clear()
        return found

    def state(self) -> dict:
        """All of it as plain data; a channel that nothing happened on is as none."""
        memory = self.memory
        told = msgspec.to_builtins({"fields": memory.fields, "pieces": memory.pieces, "streams": memory.streams,
                                    "channels": {place: one.book for place, one in memory.channels.items()}})
        told["channels"] = {place: book for place, book in told["channels"].items() if book}
        return told

    def happen(self, what: str, *said) -> None:
        self.count += 1
        if what == "read":
            one, size, serial = said
            self.memory.channel(one.channel).count(self.count, NOW + self.count)
            said = {"serial": serial, "lot": "L1"} if serial else {}
            got = Got(f"#{self.count}", size, one.unit, "pass", ("no-part",))
            _, piece = self.assembly.add("housing", one.name, got, said, NOW + self.count)
            if not self.assembly.missing(piece):
                self.assembly.close(piece)
            self.context.use("left", one.channel[-1], "housing", "")
        elif what == "check":
            ids = (f"#{self.count}", "")
            self.memory.channel("left/A").check(BORE, RING, said[0], NOW + self.count, ids, said[1])
        elif what == "put":
            self.context.put(SOURCES[said[0]], said[1])
        elif what == "order":
            self.memory.fields.orders["mes"] = said[0]
            self.context.touched = True
        else:
            self.memory.stream(*said)


def test_nothing_kept_is_nothing_remembered_and_nothing_to_keep():
    measuring = Measuring({})
    assert measuring.state() == {"fields": {"ports": {}, "orders": {}}, "pieces": {}, "streams": {}, "channels": {}}
    measuring.memory.channel("left/A")
    assert measuring.changed() == {}


def test_what_changed_is_told_once_and_only_that():
    measuring = Measuring({})
    for happened, keys in ((("put", "scan", {"lot": "L1"}), {"context"}),
                           (("check", Decimal("25"), ""), {"channel:left/A"}),
                           (("read", FACE, Decimal(1), "S1"), {"readings:left/B", "part:housing\nS1"}),
                           (("read", BORE, Decimal(1), ""), {"channel:left/A", "part:housing\n"}),      # the first behind a check
                           (("read", BORE, Decimal(1), ""), {"readings:left/A", "part:housing\n"}),
                           (("stream", "left/A", {"phase": "on"}), {"stream:left/A"})):
        measuring.happen(*happened)
        assert set(measuring.changed()) == keys
        assert measuring.changed() == {}


def test_the_readings_so_far_are_those_that_were_kept_last():
    """With the checks, or, where only they had changed, by themselves; so they were kept by the versions before, too."""
    book, later = '{"count":3,"first_seq":1,"first_ns":5,"last_seq":3,"last_ns":9,"checks":{"ring":{"at_ns":4}}}', \
        '{"count":7,"first_seq":1,"first_ns":5,"last_seq":8,"last_ns":12}'
    newer = book.replace('"last_seq":3', '"last_seq":9')               # by a version before, that took over again
    for kept, count, last in (({"channel:left/A": book}, 3, 3), ({"channel:left/A": book, "readings:left/A": later}, 7, 8),
                              ({"channel:left/A": newer, "readings:left/A": later}, 3, 9)):
        found = Memory(kept).channels["left/A"].book
        assert (found.count, found.last_seq, found.checks["ring"].at_ns) == (count, last, 4)
    found = Memory({"readings:left/A": later}).channels["left/A"].book
    assert (found.count, found.first_ns, found.last_ns, found.checks) == (7, 5, 12, {})


def test_at_an_orderly_stop_the_books_are_whole_for_versions_that_know_no_other():
    measuring = Measuring({})
    for happened in (("check", Decimal("25"), ""), *[("read", BORE, Decimal(1), "")] * 3):
        measuring.happen(*happened)
        measuring.changed()
    assert "channel:left/A" not in measuring.memory.counted(NOW)
    book = msgspec.json.decode(measuring.memory.counted(None)["channel:left/A"])
    assert (book["count"], book["last_seq"], list(book["checks"])) == (3, 4, ["ring"])


def test_part_that_is_over_and_stream_that_is_off_are_told_as_gone():
    measuring = Measuring({})
    for happened in (("read", BORE, Decimal(1), "S1"), ("stream", "left/A", {"phase": "on"})):
        measuring.happen(*happened)
    measuring.changed()
    for happened in (("read", FACE, Decimal(1), "S1"), ("stream", "left/A", None)):
        measuring.happen(*happened)
    gone = {key: text for key, text in measuring.changed().items() if not key.startswith("readings:")}
    assert gone == {"part:housing\nS1": None, "stream:left/A": None}


def test_stream_that_says_the_same_again_is_no_change():
    measuring = Measuring({"stream:left/A": '{"phase":"on"}'})
    measuring.happen("stream", "left/A", {"phase": "on"})
    measuring.happen("stream", "left/B", None)
    assert measuring.changed() == {}


def test_digits_come_back_as_they_were():
    measuring = Measuring({})
    for size in ("1E+2", "0.10", "-0", "123456789.000000001"):
        measuring.happen("read", BORE, Decimal(size), "S1")
        again = Measuring(measuring.changed() | {"context": "{}"})
        assert str(again.memory.pieces["housing\nS1"].got["bore"].value) == size


sizes = st.decimals(-100, 100, places=4)
serials = st.sampled_from(["", "S1", "S\n2", "ring"])
happenings = st.lists(st.one_of(
    st.tuples(st.just("read"), st.sampled_from([BORE, FACE]), st.none() | sizes, serials),
    st.tuples(st.just("check"), st.sampled_from([Decimal("25.0005"), Decimal("25.1")]), st.sampled_from(["", "21.5"])),
    st.tuples(st.just("put"), st.sampled_from(list(SOURCES)),
              st.dictionaries(st.sampled_from(FIELDS), serials, min_size=1)),
    st.tuples(st.just("order"), serials),
    st.tuples(st.just("stream"), st.sampled_from(["left/A", "left/B"]),
              st.none() | st.fixed_dictionaries({"phase": serials, "said": st.dictionaries(serials, serials)})),
    st.just("commit"), st.just("restart")), max_size=25)


@given(happenings)
def test_what_was_kept_over_time_is_the_live_state_at_each_commit(happenings):
    measuring, kept = Measuring({}), {}
    for one in [*happenings, "commit"]:
        if one not in ("commit", "restart"):
            measuring.happen(*one)
            continue
        for key, text in measuring.changed().items():
            kept.pop(key, None)
            if text is not None:
                kept[key] = text
        again = Measuring(kept)
        assert again.state() == measuring.state()
        if one == "restart":
            again.count, measuring = measuring.count, again


# --- in the journal


def row(seq: int) -> Row:
    return Row(seq, seq, "measurement", "left", "housing", "", b"{}")


@pytest.fixture
def journal(tmp_path):
    journal = Journal.open(tmp_path)
    yield journal
    journal.close()


def test_journal_remembers_the_newest_text_of_each_key_and_forgets_what_is_gone(journal):
    journal.append([row(1)], {"context": "1", "part:a\nS%_": "2", "part:b\n": "3"})
    journal.append([row(2)], {"context": "4", "part:b\n": None, "part:never": None})
    assert journal.memory() == {"context": "4", "part:a\nS%_": "2"}
    journal.append([row(3)])
    assert journal.memory() == {"context": "4", "part:a\nS%_": "2"}


def test_memory_without_rows_is_kept_and_uses_no_seq_up(journal):
    journal.append([], {"context": "1"})
    assert (journal.memory(), journal.next_seq) == ({"context": "1"}, 1)


def test_memory_is_there_after_the_journal_was_opened_again(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append([row(1)], {"context": "1"})
    journal.close()
    again = Journal.open(tmp_path)
    assert (again.memory(), again.next_seq) == ({"context": "1"}, 2)
    again.close()


@pytest.mark.parametrize("key", ["name", "trimmed", "MEMORY/x", "memory/x", "a\0b", ""])
def test_no_key_is_taken_for_anything_else(journal, key):
    name = journal.name
    journal.append([row(1)], {key: "1"})
    assert journal.memory() == {key: "1"}
    journal.append([row(2)], {key: None})
    assert (journal.memory(), journal.name, journal.trim(2, 10**9)) == ({}, name, 2)


def count(journal: Journal) -> int:
    return journal._db.execute("SELECT count(*) FROM record").fetchone()[0]


def test_row_that_cannot_be_kept_leaves_the_memory_as_it_was(journal):
    journal.append([row(1)], {"context": "1", "part:a": "2"})
    with pytest.raises(sqlite3.IntegrityError):
        journal.append([row(2), row(2), row(4)], {"context": "9", "part:a": None, "part:b": "9"})
    assert (journal.memory(), journal.next_seq, count(journal)) == ({"context": "1", "part:a": "2"}, 2, 1)


def test_rows_that_do_not_follow_leave_the_memory_as_it_was(journal):
    with pytest.raises(ValueError, match="do not follow"):
        journal.append([row(2)], {"context": "9"})
    assert journal.memory() == {}


def test_memory_that_cannot_be_kept_leaves_no_rows(journal):
    journal.append([row(1)], {"context": "1"})
    with pytest.raises(sqlite3.IntegrityError):
        journal.append([row(2)], {"part:a": "9", "context": b"no text"})
    assert (journal.memory(), journal.next_seq, count(journal)) == ({"context": "1"}, 2, 1)
    journal.append([row(2)], {"context": "2"})
    assert (journal.memory(), count(journal)) == ({"context": "2"}, 2)


def test_measuring_goes_on_from_the_journal_as_if_it_had_never_stopped(tmp_path):
    journal, measuring = Journal.open(tmp_path), Measuring({})
    story = [("put", "label", {"serial": "S1", "part": "housing"}), ("check", Decimal("25"), "21.5"),
             ("read", BORE, Decimal("25.10"), "S1"), ("order", "mark"), ("stream", "left/B", {"phase": "on"}),
             ("read", FACE, None, "S1"), ("read", BORE, Decimal("25"), "S2"), ("stream", "left/B", None)]
    for seq, one in enumerate(story, 1):
        measuring.happen(*one)
        journal.append([row(seq)], measuring.changed())
        before = measuring.state(), measuring.count
        journal.close()
        journal = Journal.open(tmp_path)
        measuring = Measuring(journal.memory())
        measuring.count = before[1]
        assert measuring.state() == before[0]
    journal.close()
