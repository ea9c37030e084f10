"""What an order may say, and in what words it is refused; when a file is whole; where a moved one lies."""

import json
import os
import subprocess
import sys
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.files import Files
from collector.service.order_runner import Folder, _read, free_name
from collector.service.orders import (LONGEST_BYTES, Looked, NotWhole, OrderRead, OrderRefused, OrderSpec, Wrong,
                                      read_order)
from tests.faults.faulty_files import FaultyFiles

FIELDS = ("part", "lot", "serial", "operator", "master", "part-temperature", "master-temperature")
SPEC = OrderSpec("mes", "/srv/mes/orders", FIELDS, ("pump-housing-12", "0123"), ("ring-12",))


def refusal(data: bytes | str, spec: OrderSpec = SPEC) -> str:
    with pytest.raises((Wrong, NotWhole)) as refused:
        read_order(spec, data.encode() if isinstance(data, str) else data)
    return str(refused.value)


def test_an_order_sets_text_and_clears_with_null():
    said = '\ufeff{"part": "0123", "lot": null, "serial": "Ä-7", "master": "ring-12"} \r\n'
    assert read_order(SPEC, said.encode()) == {"part": "0123", "lot": "", "serial": "Ä-7", "master": "ring-12"}


@pytest.mark.parametrize(("said", "kept"), [("21.50", "21.50"), ('"21.5"', "21.5"), ("-0", "-0"), ("20", "20")])
def test_a_temperature_may_be_a_number_and_keeps_its_digits(said, kept):
    assert read_order(SPEC, f'{{"part-temperature": {said}}}'.encode()) == {"part-temperature": kept}


@pytest.mark.parametrize(("said", "why"), [
    ("{}", "it has no field; fields are part, lot, serial, operator, master, part-temperature, master-temperature"),
    ('{"lott": "7"}', "'lott' is no field that orders set here; did you mean 'lot'?"),
    ('{"x\\u001b": "7"}', "'x\\x1b' is no field that orders set here; known are part, lot, serial, operator, master, "
                          "part-temperature, master-temperature"),
    ('{"lot": "7", "lot": "7"}', "the field 'lot' stands there 2 times"),
    ('{"lot": 123}', 'lot is a number; write it in quotes, as in "0123", so that every digit counts'),
    ('{"lot": NaN}', 'lot is a number; write it in quotes, as in "0123", so that every digit counts'),
    ('{"lot": true}', 'lot is no text; write it in quotes, as in "0123"'),
    ('{"lot": ["7"]}', 'lot is no text; write it in quotes, as in "0123"'),
    ('{"lot": {}}', 'lot is no text; write it in quotes, as in "0123"'),
    ('{"lot": ""}', "lot is empty; to clear it write null"),
    ('{"lot": " "}', "lot is empty; to clear it write null"),
    (f'{{"lot": "{"7" * 65}"}}', "lot has 65 characters; at most 64 are taken"),
    ('{"lot": "a\\nb"}', "lot has a character that can't be shown: 'a\\nb'"),
    ('{"lot": "a\\ud800"}', "lot has a character that can't be shown: 'a\\ud800'"),
    ('{"part": "123"}', "there is no part '123'; did you mean '0123'?"),
    ('{"part": "x"}', "there is no part 'x'; known are pump-housing-12, 0123"),
    ('{"master": "ring-21"}', "there is no master 'ring-21'; did you mean 'ring-12'?"),
    ('{"part-temperature": "21,5"}', "part-temperature '21,5' is no number in plain digits; write it as in 21.5"),
    ('{"part-temperature": 2e999999}', "part-temperature '2e999999' is no number in plain digits; write it as in 21.5"),
    ('{"part-temperature": false}', 'part-temperature is no text; write it in quotes, as in "0123"'),
    ('{"lot": 1, "part": "x"}', 'lot is a number; write it in quotes, as in "0123", so that every digit counts; '
                                "there is no part 'x'; known are pump-housing-12, 0123"),
    ("", "it is empty"),
    (" \n", "it is empty"),
    ('{"lot": "7"', "it is not JSON: Expecting ',' delimiter (line 1, column 12)"),
    ('[["lot", "7"]]', 'it is not a JSON object; write it as in {"lot": "0123"}'),
    ("12", 'it is not a JSON object; write it as in {"lot": "0123"}'),
    (b'{"lot": "\xc4"}', "it is not UTF-8 text (byte 10)"),
    ("[" * 60_000, "it is not an order: nested too deep"),
    (b'{"lot": "7"}' + b" " * LONGEST_BYTES, "it is longer than 64000 bytes"),
])
def test_a_bad_order_is_refused_in_words(said, why):
    assert refusal(said) == why


def test_a_text_of_64_characters_is_taken():
    assert read_order(SPEC, f'{{"lot": "{"7" * 64}"}}'.encode()) == {"lot": "7" * 64}


def test_a_field_that_this_folder_may_not_set_is_refused():
    spec = OrderSpec("mes", "/srv/mes/orders", ("part", "lot"), (), ())
    assert refusal('{"serial": "7"}', spec) == "'serial' is no field that orders set here; known are part, lot"
    assert refusal('{"part": "7"}', spec) == "there is no part '7'; none is known here"


def test_a_reason_with_thousands_of_faults_stays_short():
    many = json.dumps({f"field-{number}": "x" for number in range(3000)})
    assert len(refusal(many)) < 1000 and refusal(many).endswith("; and 2995 more")


texts = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)


@given(st.dictionaries(st.sampled_from(("lot", "serial", "operator")), texts | st.none(), min_size=1), st.booleans())
def test_what_is_whole_is_taken_as_said_and_no_part_of_it_is(said, is_ascii):
    data = json.dumps(said, ensure_ascii=is_ascii).encode()
    assert read_order(SPEC, data) == {name: text or "" for name, text in said.items()}
    for cut in range(len(data)):
        with pytest.raises(NotWhole):
            read_order(SPEC, data[:cut])


anything = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(), lambda below:
                        st.lists(below) | st.dictionaries(st.sampled_from(FIELDS) | st.text(), below), max_leaves=8)


@given(st.binary() | anything.map(lambda said: json.dumps(said).encode())
       | st.dictionaries(st.sampled_from(FIELDS), anything).map(lambda said: json.dumps(said).encode()))
def test_whatever_a_file_holds_it_is_taken_or_refused_in_printable_words(data):
    try:
        fields = read_order(SPEC, data)
    except (Wrong, NotWhole) as refused:
        assert str(refused).isprintable()
        return
    assert fields and set(fields) <= set(FIELDS)
    assert all(text.isprintable() and len(text) <= 64 for text in fields.values())


# --- names


def test_a_name_that_is_there_gets_a_number(tmp_path):
    found = []
    for _ in range(40):
        found.append(free_name(tmp_path, "a.json"))
        (tmp_path / found[-1]).touch()
    assert found == ["a.json", *(f"a-{number}.json" for number in range(2, 41))]


@given(st.sets(st.integers(1, 30)))
def test_a_free_name_is_free_whatever_was_taken_away(tmp_path_factory, used):
    folder = tmp_path_factory.mktemp("taken")
    for number in used:
        (folder / (f"a-{number}.json" if number > 1 else "a.json")).symlink_to("nowhere")
    assert not os.path.lexists(folder / free_name(folder, "a.json"))


def test_the_longest_name_still_has_room_for_a_number_and_a_reason(tmp_path):
    name = "ä" * 125 + ".json"
    (tmp_path / name).touch()
    (tmp_path / free_name(tmp_path, name)).touch()
    (tmp_path / f"{free_name(tmp_path, name)}.reason.txt").touch()


# --- files, with a clock that stands still


class HeldClock:
    def __init__(self):
        self.now = 0

    def steady_ns(self) -> int:
        return self.now

    def wall_ns(self) -> int:
        return 1_772_435_700_000_000_000


class Bench:
    """A folder of orders, what was said of it, a clock that only `look` moves."""

    def __init__(self, folder, files=None):
        self.folder, self.said, self.clock = folder, [], HeldClock()
        self.error = ""
        spec = OrderSpec("mes", str(folder), FIELDS, SPEC.parts, SPEC.masters)
        self._looked = Folder(spec, self._say, files or Files(), self.clock)

    def _say(self, said) -> None:
        if isinstance(said, Looked):
            self.error = said.error
        else:
            self.said.append(said)

    def look(self, after_s: float = 0.5) -> None:
        self.clock.now += int(after_s * 1e9)
        self._looked.look()

    def apply(self) -> dict[str, str]:
        """Put the order that was said last in force, and let its file be moved."""
        self._looked.in_force(self.said[-1].mark)
        self.look()
        return self.said[-1].fields

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text)

    def names(self, below: str = "") -> list[str]:
        folder = self.folder / below
        return sorted(path.name for path in folder.iterdir() if not path.is_dir()) if folder.exists() else []


def test_a_file_is_looked_at_again_until_it_is_whole(tmp_path):
    bench = Bench(tmp_path)
    for text in ("", '{"lot"', '{"lot": "7'):
        bench.write("a.json", text)
        bench.look(1.9)
        bench.look(1.9)
        assert (bench.said, bench.names()) == ([], ["a.json"])
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    assert bench.apply() == {"lot": "7"}
    assert (bench.names(), bench.names("taken"), bench.names("refused")) == ([], ["a.json"], [])


@pytest.mark.parametrize("text", ["", '{"lot"'])
def test_a_file_that_stays_half_is_refused_once_it_was_quiet(tmp_path, text):
    bench = Bench(tmp_path)
    bench.write("a.json", text)
    bench.look()
    bench.look(1.999)
    assert bench.said == [] and bench.names("refused") == []
    bench.look(0.001)
    refused, = bench.said
    assert isinstance(refused, OrderRefused) and (refused.source, refused.name) == ("mes", "a.json")
    assert (tmp_path / "refused" / "a.json.reason.txt").read_text() == f"{refused.why}\n"
    assert bench.names("refused") == ["a.json", "a.json.reason.txt"]


def test_a_file_that_is_written_for_long_is_told_and_holds_up_those_after_it(tmp_path):
    bench = Bench(tmp_path)
    bench.write("b.json", '{"lot": "8"}')
    for size in range(5):
        bench.write("a.json", " " * size)
        bench.look(1.5)
    assert bench.said == []
    assert bench.error == f"the order a.json in {tmp_path} is still being written; those after it wait"
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    assert bench.error == "" and bench.apply() == {"lot": "7"}


def test_orders_that_can_be_read_but_not_taken_are_refused_at_once(tmp_path):
    bench = Bench(tmp_path)
    bench.write("a.json", '{"lot": 7}')
    bench.look(0)
    assert [type(one) for one in bench.said] == [OrderRefused]
    assert (bench.names(), bench.names("refused")) == ([], ["a.json", "a.json.reason.txt"])


def test_a_refused_order_never_replaces_one_of_before(tmp_path):
    bench = Bench(tmp_path)
    for text in ('{"lot": 1}', '{"lot": false}'):
        bench.write("a.json", text)
        bench.look()
    assert bench.names("refused") == ["a-2.json", "a-2.json.reason.txt", "a.json", "a.json.reason.txt"]
    assert "number" in (tmp_path / "refused" / "a.json.reason.txt").read_text()
    assert "no text" in (tmp_path / "refused" / "a-2.json.reason.txt").read_text()


def test_other_files_are_left_alone(tmp_path):
    bench = Bench(tmp_path)
    for name in (".a.json", "a.json.tmp", "a.txt", "a.JSON"):
        bench.write(name, '{"lot": "7"}')
    (tmp_path / "b.json").symlink_to(tmp_path / "a.txt")
    (tmp_path / "c.json").mkdir()
    os.mkfifo(tmp_path / "d.json")
    before = bench.names()
    bench.look()
    assert (bench.said, bench.error, bench.names()) == ([], "", before)
    assert not (tmp_path / "taken").exists()
    bench.write("e.json", '{"lot": "7"}')                     # and they hold up nothing
    bench.look()
    assert bench.apply() == {"lot": "7"} and bench.names() == before


def test_an_order_is_not_moved_before_it_is_in_force_nor_on_another_mark(tmp_path):
    bench = Bench(tmp_path)
    bench.write("a.json", '{"lot": "7"}')
    bench.write("b.json", '{"lot": "8"}')
    bench.look()
    bench._looked.in_force("b.json 1 2 3")
    bench.look()
    assert bench.names() == ["a.json", "b.json"] and len(bench.said) == 1
    bench.apply()
    assert bench.names() == ["b.json"] and bench.names("taken") == ["a.json"]


class Recorded(Files):
    """Tells of moves and of syncs of folders; the n-th of them fails once it is done."""

    def __init__(self, folder, fail_at=0):
        self._folder, self._fail_at, self.steps = folder, fail_at, []

    def _move(self, old, new):
        super()._move(old, new)
        self._step(f"{old.relative_to(self._folder)} > {new.relative_to(self._folder)}")

    def sync_folder(self, folder):
        super().sync_folder(folder)
        self._step(str(folder.relative_to(self._folder)))

    def _step(self, said):
        self.steps.append(said)
        if len(self.steps) == self._fail_at:
            raise OSError(5, os.strerror(5))


def test_a_move_is_synced_in_both_folders_before_the_next_order_is_read(tmp_path):
    for fail_at in range(6):
        folder = tmp_path / str(fail_at)
        folder.mkdir()
        files = Recorded(folder, fail_at)
        bench = Bench(folder, files)
        bench.write("a.json", '{"lot": "7"}')
        bench.write("b.json", '{"lot": "8"}')
        bench.look()
        bench.look()
        bench.apply()
        bench.look()
        assert len(bench.said) == 1 + (fail_at in (0, 1))
        if fail_at > 1:                                       # the step has failed, is told, and is made up for
            bench.look()
            assert len(bench.said) == 2
        steps = files.steps[files.steps.index("a.json > taken/a.json"):]
        assert steps[-2:] == ["taken", "."] and steps.count("a.json > taken/a.json") == 1


def test_no_order_is_said_before_there_is_a_place_to_move_it_to(tmp_path):
    bench = Bench(tmp_path, FaultyFiles(1))
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    assert bench.said == []
    assert bench.error == f"the folder {tmp_path / 'taken'} can't be made; orders wait (Input/output error)"
    bench.look()
    assert bench.error == "" and bench.apply() == {"lot": "7"}


@pytest.mark.parametrize("more", ["", " ", "\r\n"])
def test_the_end_of_a_copy_is_not_another_order(tmp_path, more):
    bench = Bench(tmp_path)
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    with open(tmp_path / "a.json", "a") as file:
        file.write(more)
    os.utime(tmp_path / "a.json", (1, 1))                     # a copy sets the time of its original last
    bench.apply()
    bench.look()
    assert len(bench.said) == 1 and bench.names("taken") == ["a.json"]


@pytest.mark.parametrize("is_new_file", [False, True])
def test_an_order_that_was_replaced_is_another_order(tmp_path, is_new_file):
    files = Recorded(tmp_path)
    bench = Bench(tmp_path, files)
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    if is_new_file:
        (tmp_path / "a.json").rename(tmp_path / "away")
    bench.write("a.json", '{"lot": "8"}')
    bench.apply()
    assert not [step for step in files.steps if ">" in step]
    bench.look()
    assert bench.apply() == {"lot": "8"}
    assert [one.fields["lot"] for one in bench.said] == ["7", "8"] and bench.said[0].mark != bench.said[1].mark
    assert (tmp_path / "taken" / "a.json").read_text() == '{"lot": "8"}'


class ReplacedAtLast(Files):
    """Somebody drops another order by the same name just before the first move."""

    is_done = False

    def _move(self, old, new):
        if not self.is_done:
            self.is_done = True
            (old.parent / "next").write_text('{"lot": "8"}')
            os.replace(old.parent / "next", old)
        super()._move(old, new)


def test_an_order_that_was_replaced_while_it_was_moved_is_not_lost(tmp_path):
    bench = Bench(tmp_path, ReplacedAtLast())
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    bench.apply()
    assert (bench.names(), bench.names("taken")) == (["a.json"], [])
    bench.look()
    assert bench.apply() == {"lot": "8"}
    assert (tmp_path / "taken" / "a.json").read_text() == '{"lot": "8"}'


def test_an_order_that_vanished_while_it_was_put_in_force_is_nothing(tmp_path):
    bench = Bench(tmp_path)
    bench.write("a.json", '{"lot": "7"}')
    bench.look()
    (tmp_path / "a.json").unlink()
    bench.write("b.json", '{"lot": "8"}')
    bench.apply()
    bench.look()
    assert bench.error == "" and [one.fields["lot"] for one in bench.said] == ["7", "8"]


def test_an_order_that_became_a_pipe_or_a_link_is_not_waited_for(tmp_path):
    for name, make in (("a.json", os.mkfifo), ("b.json", lambda path: path.symlink_to("nowhere"))):
        bench = Bench(tmp_path)
        bench.write(name, '{"lot": "7"}')
        bench.look()
        (tmp_path / name).unlink()
        make(tmp_path / name)
        applying = threading.Thread(target=bench.apply, daemon=True)
        applying.start()
        applying.join(5.0)
        assert not applying.is_alive() and bench.error == "" and bench.names("taken") == []


GROWING = """
import os, sys
fd = os.open(sys.argv[1], os.O_WRONLY | os.O_APPEND)
for _ in range(60_000):
    os.write(fd, b" ")
"""


def test_a_file_that_grows_while_it_is_read_has_no_mark_of_another_moment(tmp_path):
    path = tmp_path / "a.json"
    path.touch()
    with subprocess.Popen([sys.executable, "-c", GROWING, str(path)]) as growing:
        while growing.poll() is None:
            found = _read(path)
            assert found is None or found.mark.split()[2] == str(len(found.data))
    assert path.stat().st_size == 60_000


def test_the_mark_stays_for_another_process_and_changes_with_the_file(tmp_path):
    first, second = Bench(tmp_path), Bench(tmp_path)
    first.write("a.json", '{"lot": "7"}')
    first.look()
    second.look()
    assert first.said == second.said and isinstance(first.said[0], OrderRead)
    found = (tmp_path / "a.json").stat()
    assert first.said[0].mark == f"a.json {found.st_ino} {found.st_size} {found.st_mtime_ns}"


def test_a_name_that_is_no_text_can_be_said_and_moved(tmp_path):
    bench, name = Bench(tmp_path), os.fsdecode(b"a\xff\n.json")
    bench.write(name, '{"lot": "7"}')
    bench.look()
    assert bench.said[0].name == r"a\xdcff\x0a.json" and bench.said[0].mark.isprintable()
    bench.apply()
    assert bench.names("taken") == [name]
