"""Finding the settings of a line: simulated senders at every setting, a simulated receiver that looks as told."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.probe.evidence import Character, Look, Setting, Unmarking, is_text
from collector.probe.formats import FORMATS, SAME, fits
from collector.probe.judge import Answer, bursts_of, judge
from collector.probe.speeds import FIRST, MEASURED, SLOWER, measure, places
from tests.uart import Format, Wire, form, marked, noise, receive, send

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
CHARACTERS = ("8N1", "7E1", "7O1", "8E1", "8O1", "7N1", "8N2", "7E2")
LINES = (b"A1  +12.0093 mm\r\n", b"+0.0031\r", b"\x02B;-0012.7;um\x03", b"PART;;U;+25.0093\r\nPART;;L;+25.0051\r\n",
         b"0123 12.018\n")                                # invented
MOST_LOOKS = 40
PAIRS = list(itertools.product(BAUDS, CHARACTERS))
NUMBERED = list(enumerate(PAIRS))


def another(line: bytes, chance: random.Random) -> bytes:
    """The same line with other digits."""
    return bytes(chance.choice(b"0123456789") if byte in b"0123456789" else byte for byte in line)


def look_at(wire: Wire, setting: Setting, chance: random.Random, waits: bool = True, marks: bool = True) -> Look:
    burst = receive(wire, form(setting.baud, setting.character), chance, waits)
    if not marks:
        burst = tuple(Character(one.byte) for one in burst)
    return Look(setting, (burst,) if burst else ())


def probe(sending, chance: random.Random, waits=True, marks=True, refuses=()) -> tuple[Answer, list[Look]]:
    """All looks until there is an answer; `sending` gives the wire of the next line."""
    looks: list[Look] = []
    while not isinstance(step := judge(looks), Answer):
        refused = step.character in refuses or str(step) in refuses
        looks.append(Look(step, refused=True) if refused else look_at(sending(), step, chance, waits, marks))
        assert len(looks) <= MOST_LOOKS
    return step, looks


def probe_line(line: bytes, baud: int, character: str, waits=True, marks=True, refuses=(), noisy=False):
    chance = random.Random(f"{line}{baud}{character}{waits}{marks}{noisy}")
    true = form(baud, character)
    clock = chance.uniform(-0.02, 0.02)
    faults = {"clock": clock, "jitter": 0.05, "glitches": 0.002} if noisy else {}
    return probe(lambda: send(another(line, chance), true, chance, **faults), chance, waits, marks, refuses)


def is_honest(answer: Answer, baud: int, character: str) -> bool:
    """Right, or the right one is among those that it says it can't tell apart."""
    said = answer.setting and (answer.setting.character, *answer.equally, *answer.reads_too)
    return answer.setting is not None and answer.setting.baud == baud and character in said


# --- every setting


@pytest.mark.parametrize("waits", [True, False], ids=["waits", "resumes"])
@pytest.mark.parametrize("number, pair", NUMBERED, ids=str)
def test_the_setting_is_found_on_a_line_with_marks(number, pair, waits):
    answer, looks = probe_line(LINES[number % len(LINES)] if waits else LINES[number % 2 * 3], *pair, waits=waits)
    assert is_honest(answer, *pair) and not answer.equally
    assert answer.confidence in ("certain", "likely")
    assert len(looks) <= 11


@pytest.mark.parametrize("number, pair", NUMBERED, ids=str)
def test_without_marks_the_answer_names_all_that_fit(number, pair):
    answer, _ = probe_line(LINES[number % len(LINES)], *pair, marks=False)
    assert is_honest(answer, *pair)
    if pair[1] in ("8N1", "8E1", "8O1"):
        assert answer.confidence != "certain"


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if pair[0] in (600, 9600, 57600)], ids=str)
def test_two_per_cent_of_clock_error_and_flipped_bits_do_not_mislead(pair):
    answer, _ = probe_line(LINES[0], *pair, noisy=True)
    assert is_honest(answer, *pair)


@pytest.mark.long
@pytest.mark.parametrize("waits, marks, noisy", list(itertools.product([True, False], repeat=3)))
def test_every_setting_and_line(waits, marks, noisy):
    right = wrong = 0
    for (baud, character), line in itertools.product(PAIRS, LINES):
        answer, _ = probe_line(line, baud, character, waits, marks, noisy=noisy)
        honest = is_honest(answer, baud, character)
        right += honest
        wrong += not honest and answer.setting is not None
        assert honest or answer.setting is None or not marks and answer.confidence == "a guess"
    print(f"waits {waits} marks {marks} noisy {noisy}: {right} of {len(PAIRS) * len(LINES)} found, {wrong} wrong")
    assert right >= (0.98 if marks else 0.92) * len(PAIRS) * len(LINES)


def test_the_usual_settings_take_few_looks():
    for character, most in (("8N1", 4), ("7E1", 4)):
        answer, looks = probe_line(LINES[3], 9600, character)
        assert answer.confidence == "certain" and len(looks) <= most


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
    answer, looks = probe(lambda: Wire([]), random.Random(1))
    assert answer.setting is None and len(looks) == 1 and "nothing has arrived" in answer.reasons[0]


def test_a_line_that_rests_low_is_told():
    chance = random.Random(1)
    answer, _ = probe(lambda: Wire([number * 0.1 for number in range(20)]), chance)
    assert answer.setting is None and "only zeros" in answer.reasons[0]


def test_a_column_that_falls_silent_before_the_speed_is_known_is_told():
    chance = random.Random(1)
    first = look_at(send(LINES[0], form(9600, "8N1"), chance), Setting(FIRST), chance)
    answer = judge([first, Look(Setting(9600))])
    assert isinstance(answer, Answer) and answer.setting is None and "nothing more" in answer.reasons[0]


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


@pytest.mark.parametrize("baud, kind", [(19200, MEASURED), (9600, MEASURED), (7200, MEASURED), (4800, SLOWER),
                                        (300, SLOWER)])
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


@given(st.text("0123456789+-. mABC", min_size=12, max_size=40), st.sampled_from(["8N1", "7E1", "7O1", "8E1", "8O1"]))
def test_every_character_of_a_format_fits_it_as_it_is_received(text, character):
    chance = random.Random(text)
    wire = send(text.encode(), form(9600, character), chance, pause_bits=3)
    assert all(map(FORMATS[character], receive(wire, form(9600, "8N1"), chance)))


def test_of_several_bursts_one_that_was_hit_does_not_count():
    sound = tuple(Character(byte) for byte in LINES[0])
    hit = sound[:4] + tuple(Character(byte, True) for byte in b"KJzk{JKZZZ")
    best = fits(Look(Setting(9600), (sound, hit, sound)))[0]
    assert (best.character, best.share) == ("8N1", 1.0)


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
