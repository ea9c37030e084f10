"""Finding the settings of a line: simulated senders at every setting, a simulated receiver that looks as told."""

import itertools
import math
import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.probe import reasons
from collector.probe.course import find_settings
from collector.probe.evidence import Character, Look, Setting, Unmarking, is_text
from collector.probe.formats import FORMATS, SAME, likelihoods
from collector.probe.judge import Answer, bursts_of, judge
from collector.probe.speeds import FIRST, MEASURED, SLOWER, measure, places
from tests.uart import Format, Wire, form, marked, noise, receive, send

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
CHARACTERS = ("8N1", "7E1", "7O1", "8E1", "8O1", "7N1", "8N2", "7E2")
LINES = (b"A1  +12.0093 mm\r\n", b"+0.0031\r", b"\x02B;-0012.7;um\x03", b"PART;;U;+25.0093\r\nPART;;L;+25.0051\r\n",
         b"0123 12.018\n")                                # invented
EVERY_S, QUIET_S = 5.0, 0.3
PAIRS = list(itertools.product(BAUDS, CHARACTERS))
NUMBERED = [pytest.param(number, pair, marks=pytest.mark.long if number % 3 else ()) for number, pair in enumerate(PAIRS)]


def another(line: bytes, chance: random.Random) -> bytes:
    """The same line with other digits."""
    return bytes(chance.choice(b"0123456789") if byte in b"0123456789" else byte for byte in line)


def look_at(wire: Wire, setting: Setting, chance: random.Random, waits: bool = True, marks: bool = True) -> Look:
    burst = receive(wire, form(setting.baud, setting.character), chance, waits)
    if not marks:
        burst = tuple(Character(one.byte) for one in burst)
    return Look(setting, (burst,) if burst else ())


class Column:
    """One that sends a line every `every_s`, looked at in simulated time: `now_s`.  `sending` gives the next wire."""

    def __init__(self, sending, chance, waits=True, marks=True, refuses=(), every_s=EVERY_S, lasts_s=60.0):
        self.sending, self.receiver, self.refuses = sending, (chance, waits, marks), refuses
        self.every_s, self.lasts_s, self.now_s, self.looks = every_s, lasts_s, 0.0, []

    def look(self, setting: Setting) -> Look:
        self.looks.append(self._look(setting))
        return self.looks[-1]

    def _look(self, setting: Setting) -> Look:
        if setting.character in self.refuses or str(setting) in self.refuses:
            return Look(setting, refused=True)
        begins_s = (self.now_s // self.every_s + 1) * self.every_s
        wire = self.sending()
        ends_s = begins_s + wire.edges[-1] + QUIET_S if wire.edges else math.inf
        gives_up_s = min(self.now_s + self.lasts_s / 3, self.lasts_s)
        self.now_s = ends_s if begins_s < gives_up_s and ends_s < self.lasts_s else gives_up_s
        return look_at(wire, setting, *self.receiver) if self.now_s == ends_s else Look(setting)

    def is_over(self) -> bool:
        return self.now_s >= self.lasts_s


def probe(sending, chance: random.Random, *how, **more) -> tuple[Answer, Column]:
    column = Column(sending, chance, *how, **more)
    answer, _ = find_settings(column.look, column.is_over)
    assert column.now_s <= column.lasts_s
    return answer, column


def probe_line(line: bytes, baud: int, character: str, waits=True, marks=True, noisy=False, seed="", **more):
    chance = random.Random(f"{line}{baud}{character}{waits}{marks}{noisy}{seed}")
    true = form(baud, character)
    clock = chance.uniform(-0.02, 0.02)
    faults = {"clock": clock, "jitter": 0.05, "glitches": 0.002} if noisy else {}
    return probe(lambda: send(another(line, chance), true, chance, **faults), chance, waits, marks, **more)


def is_honest(answer: Answer, baud: int, character: str) -> bool:
    """Right, or the right one is among those that it says it can't tell apart."""
    said = answer.setting and (answer.setting.character, *answer.equally, *answer.reads_too)
    return answer.setting is not None and answer.setting.baud == baud and character in said


# --- every setting


@pytest.mark.parametrize("waits", [True, False], ids=["waits", "resumes"])
@pytest.mark.parametrize("number, pair", NUMBERED, ids=str)
def test_the_setting_is_found_on_a_line_with_marks(number, pair, waits):
    answer, column = probe_line(LINES[number % len(LINES)], *pair, waits)
    assert is_honest(answer, *pair) and not answer.equally
    assert answer.confidence in ("certain", "likely")
    assert column.now_s < 46


@pytest.mark.parametrize("waits", [True, False], ids=["waits", "resumes"])
@pytest.mark.parametrize("number, pair", NUMBERED, ids=str)
def test_without_marks_the_answer_names_all_that_fit(number, pair, waits):
    answer, column = probe_line(LINES[number % len(LINES)], *pair, waits, marks=False)
    assert is_honest(answer, *pair)
    if pair[1] in ("8N1", "8N2") or waits and pair[1] in ("8E1", "8O1"):
        assert answer.confidence != "certain" and answer.equally
    assert column.now_s < 46


@pytest.mark.parametrize("waits, marks", [(True, True), (True, False), (False, False)])
@pytest.mark.parametrize("pair", [pair for pair in PAIRS if pair[0] in (600, 9600, 57600)], ids=str)
def test_two_per_cent_of_clock_error_and_flipped_bits_do_not_mislead(pair, waits, marks):
    answer, column = probe_line(LINES[4 if waits else 3], *pair, waits, marks, noisy=True)
    assert is_honest(answer, *pair)
    assert column.now_s < 60


@pytest.mark.parametrize("line, baud, character, noisy, seed", [
    (LINES[3], 19200, "7N1", True, ""), (LINES[0], 38400, "8N1", True, ""),
    (LINES[4], 57600, "7N1", True, ""), (LINES[4], 2400, "8O1", True, "b"), (LINES[1], 9600, "8E1", False, "b")])
def test_a_speed_that_was_measured_wrongly_is_found_by_what_explains_the_line(line, baud, character, noisy, seed):
    answer, column = probe_line(line, baud, character, False, False, noisy, seed)
    assert is_honest(answer, baud, character) and answer.confidence == "likely"
    assert "too disturbed" in answer.reasons[0] and column.now_s < 46


@pytest.mark.long
@pytest.mark.parametrize("waits, marks, noisy", list(itertools.product([True, False], repeat=3)))
def test_every_setting_and_line_is_found_within_a_minute(waits, marks, noisy):
    verdicts, seconds, looks = Counter(), [], []
    for (baud, character), line in itertools.product(PAIRS, LINES):
        answer, column = probe_line(line, baud, character, waits, marks, noisy=noisy)
        verdict = "none" if answer.setting is None else "right" if is_honest(answer, baud, character) else "wrong"
        verdicts[verdict, answer.confidence] += 1
        seconds.append(column.now_s)
        looks.append(len(column.looks))
    print(f"waits {waits} marks {marks} noisy {noisy}: {dict(verdicts)}; (median, 95 %, worst) seconds "
          f"{spread(seconds)}, looks {spread(looks)}")
    right = sum(count for (verdict, _), count in verdicts.items() if verdict == "right")
    assert right >= 0.99 * len(seconds)
    assert not verdicts["wrong", "certain"] and verdicts["wrong", "likely"] <= 0.005 * len(seconds)
    assert max(seconds) < 60


def spread(values) -> tuple[float, ...]:
    """Median, 95 %, worst."""
    ranked = sorted(values)
    return tuple(round(ranked[int(share * (len(ranked) - 1))], 1) for share in (0.5, 0.95, 1.0))


def test_the_usual_settings_take_three_looks():
    for character in ("8N1", "7E1"):
        answer, column = probe_line(LINES[0], 9600, character)
        assert answer.confidence == "certain" and len(column.looks) == 3


# --- within the time given


def test_at_the_end_of_the_time_the_best_is_a_guess_and_says_what_is_not_known():
    answer, _ = probe_line(LINES[0], 600, "7E1", every_s=9.0, lasts_s=30.0)
    assert answer.setting == Setting(600) and answer.confidence == "a guess"
    assert reasons.NO_LOOK in answer.reasons and "the time is over after 4 looks" in answer.reasons[-1]
    answer, _ = probe_line(LINES[0], 600, "7E1", every_s=9.0, lasts_s=37.0)
    assert answer.setting == Setting(600, "7E1") and answer.confidence == "a guess"
    assert "the time is over" in answer.reasons[-1]


def test_a_longer_time_finds_a_column_that_seldom_sends():
    answer, column = probe_line(LINES[0], 300, "8E1", every_s=30.0, lasts_s=300.0)
    assert answer.setting == Setting(300, "8E1") and answer.confidence == "certain"
    assert 120 < column.now_s < 240


def test_noise_ends_within_the_time_too():
    chance = random.Random(1)
    answer, column = probe(lambda: noise(0.02, 20000, chance), chance, lasts_s=20.0)
    assert answer.setting is None and column.now_s <= 20.0


# --- adapters


def test_what_an_adapter_refuses_is_told_from_the_bits_alone():
    answer, _ = probe_line(LINES[3], 9600, "7E1", refuses=("7E1",))
    assert answer.setting == Setting(9600, "7E1") and answer.confidence == "likely"
    assert any("another adapter" in reason for reason in answer.reasons)


def test_an_adapter_that_is_not_fast_enough_for_the_fastest_look_finds_its_own_fastest_speed():
    answer, _ = probe_line(LINES[3], 38400, "7E1", refuses=("115200 8N1",))
    assert answer.setting == Setting(38400, "7E1") and answer.confidence == "likely"


def test_a_speed_is_never_believed_for_its_text_alone():
    """Twice the speed reads as clean letters; so the second look is at another, whatever the first brings."""
    letters = tuple(Character(byte) for byte in b"KJzk{JK1230123\r\n" * 3)
    step = judge([Look(Setting(FIRST), (letters,))])
    assert isinstance(step, Setting) and step.baud != FIRST


# --- what is not found


@pytest.mark.parametrize("marks", [True, False])
def test_noise_is_not_found(marks):
    for seed in range(8):
        chance = random.Random(seed)
        answer, _ = probe(lambda: noise(0.02, 20000 * (1 + seed % 4), chance), chance, marks=marks)
        assert answer.setting is None and answer.reasons


def test_binary_data_are_not_found_but_their_speed_is_told():
    for baud in (1200, 9600, 57600):
        chance = random.Random(baud)
        answer, _ = probe(lambda: send(chance.randbytes(24), form(baud, "8N1"), chance), chance)
        assert answer.setting is None and f"bits of {baud} baud" in answer.reasons[0]


def test_silence_says_what_to_check():
    answer, column = probe(lambda: Wire([]), random.Random(1))
    assert answer.setting is None and column.now_s == 20.0 and "nothing has arrived" in answer.reasons[0]


def test_a_line_that_rests_low_is_told():
    chance = random.Random(1)
    answer, _ = probe(lambda: Wire([number * 0.1 for number in range(20)]), chance)
    assert answer.setting is None and "only zeros" in answer.reasons[0]


def test_a_column_that_falls_silent_before_its_format_is_known_is_a_guess():
    chance = random.Random(1)
    first = look_at(send(LINES[0], form(9600, "8N1"), chance), Setting(FIRST), chance)
    answer = judge([first, Look(Setting(9600))])
    assert answer.setting == Setting(9600) and answer.confidence == "a guess"
    assert reasons.NO_LOOK in answer.reasons and "nothing more" in answer.reasons[-1]


def test_a_column_that_falls_silent_when_all_is_known_is_answered():
    chance = random.Random(1)
    true = form(9600, "8N1")
    looks = [look_at(send(LINES[0], true, chance), Setting(baud), chance) for baud in (FIRST, 9600)]
    answer = judge([*looks, Look(Setting(9600))])
    assert answer.setting == Setting(9600)


def test_a_device_without_a_line_of_its_own_has_no_speed():
    text = tuple(Character(byte) for byte in LINES[3])
    answer = judge([Look(Setting(FIRST), (text,)), Look(Setting(115200), (text,))])
    assert not answer.baud_matters and "any speed will do" in answer.reasons[0]


# --- the pieces


@given(st.lists(st.tuples(st.integers(0, 255), st.booleans())), st.lists(st.integers(1, 7)))
def test_marks_are_taken_out_the_same_however_the_stream_is_cut(characters, cuts):
    burst = tuple(Character(byte, bad) for byte, bad in characters)
    data, unmarking, found = marked(burst), Unmarking(True), []
    while data:
        cut = cuts.pop() if cuts else 1
        found += unmarking.feed(data[:cut])
        data = data[cut:]
    assert tuple(found) == burst


@given(st.binary())
def test_without_marks_every_byte_is_itself(data):
    assert bytes(one.byte for one in Unmarking(False).feed(data)) == data


@pytest.mark.parametrize("baud, kind", [(19200, MEASURED), (9600, MEASURED), (7200, MEASURED), (4800, MEASURED),
                                        (2400, SLOWER), (300, SLOWER)])
def test_one_burst_at_the_first_speed_tells_the_slower_ones(baud, kind):
    chance = random.Random(baud)
    bits = measure(look_at(send(LINES[0] * 2, form(baud, "8N1"), chance), Setting(FIRST), chance))
    assert bits.kind == kind and bits.baud in (0, baud)


def test_changes_stand_at_multiples_of_the_bit():
    assert places(4.0) == {4, 8} and places(2.0) == {2, 4, 6, 8} and places(3.0) == {3, 6}


@given(st.binary(min_size=1, max_size=20), st.sampled_from(BAUDS), st.sampled_from(CHARACTERS), st.booleans(),
       st.integers())
def test_the_simulated_receiver_gets_what_was_sent_at_its_own_setting(data, baud, character, waits, seed):
    chance, line = random.Random(seed), form(baud, character)
    expected = tuple(Character(byte & (1 << line.bits) - 1) for byte in data)
    assert receive(send(data, line, chance, clock=chance.uniform(-0.02, 0.02)), line, chance, waits) == expected


@settings(max_examples=40)
@given(st.text("0123456789+-. mABC", max_size=40), st.sampled_from(FORMATS), st.booleans(), st.booleans())
def test_one_line_at_its_own_speed_tells_the_format(text, character, waits, paused):
    chance = random.Random(text)
    wire = send(LINES[0] + text.encode() + LINES[0], form(9600, character), chance, pause_bits=3 * paused)
    ln = likelihoods([Look(Setting(9600), (receive(wire, form(9600, "8N1"), chance, waits),))], marks=True)
    assert max(ln, key=ln.get) == character


def test_of_several_bursts_one_that_was_hit_does_not_count():
    sound = tuple(Character(byte) for byte in LINES[0])
    hit = sound[:4] + tuple(Character(byte, True) for byte in b"KJzk{JKZZZ")
    ln = likelihoods([Look(Setting(9600), (sound, hit, sound))], marks=True)
    assert max(ln, key=ln.get) == "8N1" and ln["8N1"] > 0


def test_formats_that_read_the_same_are_received_the_same():
    assert {"8N2", "7E2"} <= {other for others in SAME.values() for other in others}
    wire = send(LINES[0], Format(9600, 7, "E", 2), random.Random(1))
    assert bytes(one.byte for one in receive(wire, form(9600, "7E1"), random.Random(1))) == LINES[0]


def test_text_needs_digits():
    assert is_text([Character(byte) for byte in LINES[0]])
    assert not is_text([Character(byte) for byte in b"KJzk{JKZZZ"])


def test_bursts_at_an_unconfirmed_format_lose_their_parity_bit():
    look = Look(Setting(9600), ((Character(0xB1), Character(0x8D)),))
    assert bursts_of(Setting(9600, "7E1"), [look]) == [b"1\r"]


def test_what_came_out_of_step_is_no_text_of_the_line():
    own, plain = Setting(9600, "7N1"), Setting(9600)
    looks = [Look(plain, ((Character(0xB1, True), Character(0xB2, True)),)), Look(own, ((Character(0x31),),))]
    assert bursts_of(own, looks) == [b"1"]
    assert bursts_of(Setting(9600, "7E1"), looks) == [b"12"]


def test_the_end_mark_is_looked_for_within_the_time_too():
    chance, seconds = random.Random(1), iter(range(100))
    wire = send(LINES[0], form(9600, "8N1"), chance)
    looks: list[Look] = []
    answer, end = find_settings(lambda setting: looks.append(look_at(wire, setting, chance)) or looks[-1],
                                lambda: next(seconds) >= 2)
    assert answer.setting == Setting(9600) and len(looks) == 2
    assert end.known and end.confidence == "a guess"
