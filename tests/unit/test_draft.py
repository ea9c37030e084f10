"""`draft`, whatever comes: random shapes are never read wrongly in silence, random bytes never end in a traceback."""

from decimal import Decimal
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.config.loader import load
from collector.draft.bounds import bounds_of, frames_of
from collector.draft.checks import KINDS, find_checksum
from collector.draft.drafting import draft
from collector.draft.places import placed
from collector.draft.proof import prove
from collector.draft.proposal import CannotDraft, NotThisWay
from collector.draft.writing import as_json, as_yaml, quoted
from collector.errors import CollectorError
from collector.frames.checksum import Checksum, build_checksum
from collector.ports.capture import read_capture
from collector.record import OverRange, Reading, Unread, escape

SAMPLES = Path(__file__).parent.parent.parent / "samples"


def lines(*texts, end=b"\r\n"):
    return [(float(at), (text if isinstance(text, bytes) else text.encode()) + end) for at, text in enumerate(texts)]


def outcomes(reads):
    made = draft(reads)
    return made, [found for _, found in prove(as_yaml(made, "drafted"), reads)[0]]


def asks(made, *words):
    return any(word in question for word in words for question in made.questions)


# --- never silently wrong


@st.composite
def shapes(draw):
    """Frames of one random shape: (text, the true value, or None where none is in it)."""
    def one_of(*them):
        return draw(st.sampled_from(them))

    places, nominal, mark = one_of(0, 1, 3, 4, 4, 4), one_of(0, 0, 9, 12, 120), one_of(".", ".", ".", ",")
    sign, width, fill = one_of("+", "-", " ", "behind", "N", "+", "+"), one_of(0, 0, 8, 10), one_of(" ", " ", "0")
    channel = one_of((), ("A1", "B1"), ("A1",), ("1", "2"), ("01", "02", "03"), ("U", "L"), ("BORE", "SEAT"),
                     ("CH1", "CH2"))
    unit = one_of("", "mm", "in", "um", "mil", "mic")
    status = one_of((), ("G", "H"), ("OK", "OK", "HI"), ("<", ">", "="), ("A1", "B2"), ("+", "-"))
    between = one_of(" ", " ", ";", ",", "\t", "", "  ", "=")
    head = one_of("", "", "", "{:04}", "#{:04}", "SN {:04}", "2026-03-02", "20260302", "07:15:00", "12.0000", "PART",
                  "20.4")
    over = one_of("", "", "-----", "OPEN", "9999.99")
    before = channel[0] if channel else head.format(17)
    if before[-1:].isdigit() and not before[:1].isalpha():
        between = between or " "                       # 10.0 and 20.0 may be channels 1 and 2: nothing tells
    rows = []
    for at in range(draw(st.integers(4, 12))):
        value = Decimal(draw(st.integers(-99, 99))).scaleb(-places) + nominal * (1 if places else 1000)
        digits, minus = f"{abs(value):f}".replace(".", mark), value < 0
        text = {"behind": digits + "+-"[minus], "N": "PN"[minus] + digits}.get(
            sign, ("-" if minus else sign.strip("-")) + digits)
        if over and at % 4 == 3:
            text, value = over, None
        text = text.rjust(width, fill if text[:1].isdigit() else " ")
        pieces = [head.format(17 + at), channel[at % len(channel)] if channel else "", text, unit,
                  status[at % len(status)] if status else ""]
        rows.append((between.join(piece for piece in pieces if piece), value))
    return rows


def is_asked(made, found, true):
    """Whether a value that is not the true one is asked about, by its decimals or by where its digits begin."""
    digits = [f"{abs(value):f}".replace(".", "").lstrip("0") for value in (found, true)]
    implied = asks(made, "no decimal mark") and digits[0] == digits[1] and (found < 0) == (true < 0)
    return implied or asks(made, "letter is taken as the name", "one number with a decimal comma", "is it the value?",
                           "name a channel?", "is it its sign?")


def drafted(rows):
    """The draft, and of each frame that it reads: its text, what is true, what was read.  Nothing where it is refused."""
    try:
        made, found = outcomes(lines(*(text for text, _ in rows)))
    except CannotDraft as why:
        assert str(why)
        return None, []
    return made, [(text, true, one) for (text, true), one in zip(rows, found, strict=True) if not isinstance(one, Unread)]


@settings(max_examples=60)
@given(rows=shapes())
def test_a_random_shape_is_never_read_wrongly_in_silence(rows):
    made, read = drafted(rows)
    for text, true, one in read:
        assert len(one) == 1, (text, one, made.entry)
        if isinstance(one[0], OverRange) or true is None:
            known = isinstance(one[0], OverRange) == (true is None)
            assert known or asks(made, "is it the value?"), (text, one, made.entry)
            continue
        assert one[0].value == true or is_asked(made, one[0].value, true), (text, one, made.entry, made.questions)


@st.composite
def several(draw):
    """Frames with two or three named readings: (text, [(channel, true value or None)])."""
    def one_of(*them):
        return draw(st.sampled_from(them))

    names = one_of(("A1", "B1"), ("U", "M", "L"), ("BORE", "SEAT"), ("1", "2"), ("X", "Y"), ("MAX", "MIN"))
    joint, between = one_of(" ", "=", ":", "", ";", ","), one_of(" ", ";", ",", "", ", ", "/", "\t")
    unit, head = one_of("", "mm", " mm", " um"), one_of("", "", "#17 ", "R ", "2026-03-02 ", "12.0000 ")
    if names == ("1", "2"):                            # 112.0000 and 12.00002 may be anything: nothing tells
        joint, between = joint or " ", between or " "
    signed, over = draw(st.booleans()), one_of("", "", "-----", "OPEN")
    rows = []
    for at in range(draw(st.integers(4, 9))):
        true = [(name, 12 * (not signed) + Decimal(draw(st.integers(-90, 90))).scaleb(-4)) for name in names]
        if over and at % 3 == 2:
            true[at % len(names)] = (true[at % len(names)][0], None)
        texts = [f"{name}{joint}{over if value is None else format(value, '+' if signed else '')}{unit}"
                 for name, value in true]
        rows.append((head + between.join(texts), true))
    return rows


@settings(max_examples=40)
@given(rows=several())
def test_of_several_readings_in_a_frame_none_is_taken_for_another_s(rows):
    made, read = drafted(rows)
    for text, true, one in read:
        got = [(each.said.get("channel", ""), each.value if isinstance(each, Reading) else None) for each in one]
        some = {value for _, value in got} <= {value for _, value in true}
        asked = asks(made, "does not hold", "not the reading of another channel")
        assert got == true or some and asked, (text, got, made.entry)


# --- never a traceback, never a control character


CHUNKS = st.lists(st.tuples(st.floats(0, 50).map(lambda second: round(second, 3)), st.one_of(
    st.binary(max_size=30),
    st.text("A1+-.,;= \t\r\n\x02\x03\x1b[m0123456789mm#*\xe9\x9b",
            max_size=40).map(lambda text: text.encode("latin-1")))),
    max_size=12)


@settings(max_examples=120)
@given(chunks=CHUNKS, timed=st.booleans())
def test_no_bytes_end_in_a_traceback_and_no_control_reaches_the_output(chunks, timed):
    reads = [(second if timed else None, data) for second, data in sorted(chunks)]
    try:
        made = draft(reads)
    except CollectorError as why:
        assert str(why).isprintable(), repr(str(why))
        return
    assert as_yaml(made, "drafted").replace("\n", "").isprintable()
    assert as_json(made, "drafted").replace("\n", "").isprintable()


@given(st.text(max_size=30))
@example("it's").via("a quote in quotes")
def test_any_text_is_quoted_so_that_the_configuration_reads_it_back(tmp_path_factory, text):
    file = tmp_path_factory.mktemp("quoted") / "one.yaml"
    file.write_text(f"key: {quoted(text)}\n", encoding="utf-8", errors="surrogatepass")
    if text.isprintable() or text.isascii():
        assert load(file).tree == {"key": text}


# --- frames


@pytest.mark.parametrize("reads, keys, frames", [
    (lines(*"abc"), {}, [b"a", b"b", b"c"]),
    ([(0.0, b"\x02a1\x03\x02"), (1.0, b"a2\x03\x02a3\x03")], {"start": "\x02", "end": "\x03"}, [b"a1", b"a2", b"a3"]),
    ([(0.0, b"a1#a2#a"), (1.0, b"3#")], {"end": "#"}, [b"a1", b"a2", b"a3"]),
    ([(0.0, b"A1"), (0.01, b"2"), (0.5, b"A13"), (1.0, b"A"), (1.01, b"1456")], {"gap": "70 ms"},
     [b"A12", b"A13", b"A1456"]),
    ([(0.0, b"A 12"), (0.5, b"B 13A 14"), (1.0, b"B 15")], {"length": "4"}, [b"A 12", b"B 13", b"A 14", b"B 15"]),
])
def test_frames_are_bounded_in_the_simplest_way_that_the_reads_allow(reads, keys, frames):
    found = next(iter(bounds_of(reads)))
    assert found.keys == keys and [frame.data for frame in frames_of(reads, found.framing)] == frames


def test_a_checksum_of_bytes_that_may_hold_a_line_feed_makes_both_characters_the_end():
    texts = [f"A1 +12.{at:04} mm".encode() for at in range(1, 40)]
    made, found = outcomes(lines(*(text + bytes([reduce(xor, text)]) for text in texts)))
    assert made.port == {"end": "\r\n"} and made.entry["checksum"] == {"kind": "xor", "form": "bytes"}
    assert [one[0].value for one in found] == [Decimal(f"12.{at:04}") for at in range(1, 40)]


# --- checksums


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("form", ["hex", "bytes", "bytes-swapped"])
@pytest.mark.parametrize("after, begin", [(b"", b""), (b"*", b"$")])
def test_each_kind_of_checksum_is_found_as_it_was_written(kind, form, after, begin):
    spec = Checksum(kind, after, begin, form)
    frames = [sealed(spec, b"$A%d +12.%04d mm" % (at % 3, 37 * at)) for at in range(8)]
    found = find_checksum(frames)
    verified = build_checksum(found)
    one_byte = (kind, form) in {(one, "bytes-swapped")
                                for one in ("xor", "sum8", "sum8-complement", "crc-8", "crc-8/maxim-dow")}
    assert found == spec or one_byte and (found.kind, found.form) == (kind, "bytes")
    assert all(verified(frame) == build_checksum(spec)(frame) for frame in frames)
    assert not any(isinstance(verified(frame.replace(b"12.", b"13.")), bytes) for frame in frames)


def sealed(spec, data):
    """The frame with the checksum that the collector wants to see: it is told in its refusal, or tried."""
    frame = data + spec.after
    verified = build_checksum(spec)
    for places in (1, 2, 4, 8):
        why = verified(frame + b"0" * places)
        if isinstance(why, Unread) and "over its bytes" in why.why:
            wanted = why.why.split(", ")[1].split(" over")[0]
            whole = frame + (wanted.strip("'").encode() if spec.form == "hex" else bytes.fromhex(wanted))
            if isinstance(verified(whole), bytes):
                return whole
    raise AssertionError(spec)


def test_two_frames_are_not_enough_to_believe_a_checksum_and_chance_is_none():
    assert find_checksum([b"A1*70", b"A2*73"]) is None
    assert find_checksum([f"A1 12.{at:04}".encode() for at in range(0, 900, 37)]) is None


# --- what is proposed


def test_a_frame_that_lost_a_digit_or_says_another_unit_is_not_read():
    made, _ = outcomes(lines("A1 +12.0093 mm", "B1 +12.0101 mm", "A1 -12.0088 mm", "B1 +12.0112 mm"))
    more = lines("A1 +12.009 mm", "A1 +12.0093 in", "A1 12.0093 mm", "A1 +12.0093", "A1 +2.0093 mm")
    found = [found for _, found in prove(as_yaml(made, "drafted"), more)[0]]
    assert [isinstance(one, Unread) for one in found] == [True, True, True, True, False]


def test_what_is_not_read_is_said_with_its_number_and_the_reason():
    made, _ = outcomes(lines("A1 +12.0093 mm", "READY\x1b[2J", "B1 +12.0101 mm", "READY\x1b[2J", "A1 -12.0088 mm",
                             "B1 +1", "A1 +12.0004 mm"))
    assert (made.frames, made.read) == (7, 4)
    assert made.not_read[0] == ("READY\\x1b[2J", 2, "the pattern is nowhere in the frame")
    assert "not read, 2 times: 'READY\\x1b[2J'" in as_yaml(made, "drafted")


def test_a_unit_that_nobody_knows_is_not_read_by_the_draft_either():
    made = draft(lines("A1;12.0093;mm", "B1;12.0101;mm", "A1;12.0088;mm", "B1;12.0112;mm"))
    found = [found for _, found in prove(as_yaml(made, "drafted"), lines("A1;12.0093;mm", "A1;12.0093;zm"))[0]]
    assert isinstance(found[1], Unread) and found[1].reason == "unit" and not isinstance(found[0], Unread)


def test_examples_are_the_telling_frames_and_hold_what_the_person_signs():
    made, _ = outcomes(lines("A1 +0.0093 mm", "A1 +0.0094 mm", "B1 -0.0101 mm", "A1 ------ mm", "HELLO",
                             "B1 +0.0001 mm", "A1 +0.0002 mm"))
    assert made.entry["examples"] == [
        {"frame": "A1 +0.0093 mm", "readings": [{"channel": "A1", "value": "0.0093", "unit": "mm"}]},
        {"frame": "A1 +0.0094 mm", "readings": [{"channel": "A1", "value": "0.0094", "unit": "mm"}]},
        {"frame": "B1 -0.0101 mm", "readings": [{"channel": "B1", "value": "-0.0101", "unit": "mm"}]},
        {"frame": "A1 ------ mm", "over-range": "true"},
        {"frame": "HELLO", "unread": "no-match"}]


def test_a_capture_without_an_answer_says_why():
    for reads, words in (([], "empty"), (lines("READY", "BUSY"), "no frame holds a number"),
                         ([(0.0, b"A1 12")], "no boundary"),
                         (lines(*(f"{at:04}" for at in range(9))), "counts the frames"),
                         (lines("A1-12.009", "B1-12.010", "A1-12.011"), "between two fields"),
                         (lines("12.00001+0", "12.00002+0", "12.00001+1"), "touch"),
                         (lines(*["A1=12.0093 B1=18.0012", "A1=12.0101 B1=18.0044"] * 2, "A1=12.0093"),
                          "another number")):
        with pytest.raises(CannotDraft, match=words):
            draft(reads)


def test_a_channel_that_stands_still_in_the_capture_shifts_no_name_to_another_reading():
    _, found = outcomes(lines(*["U 12.0000 M 12.0000 L 12.0000"] * 3, "U 12.0001 M 12.0001 L 12.0000"))
    assert [[one.said["channel"] for one in each] for each in found] == [["U", "M", "L"]] * 4


def test_a_reason_shows_the_wire_s_controls_escaped():
    with pytest.raises(CannotDraft) as refused:
        draft(lines("\x1b[2JA1 0.0093- mm", "\x1b[2JA1 0.0101+ mm"))
    assert str(refused.value).isprintable() and "\\x1b[2J" in str(refused.value)


def test_an_end_mark_that_is_a_control_character_is_escaped():
    made = draft([(0.0, b"A1 +12.0093 mm\x7fA1 +12.0101 mm\x7fA1 +12.0044 mm\x7f")])
    assert made.port == {"end": "\x7f"} and as_json(made, "drafted").replace("\n", "").isprintable()


def test_places_are_no_way_to_read_frames_whose_fields_have_marks_between():
    texts = ["01-12.045;G", "02+12.780;G", "01 11.921;H"]
    with pytest.raises(NotThisWay):
        placed(texts, ".")
    assert placed([text.replace(";", "") for text in texts], ".")[1] == [(1, 2), (3, 9), (10, 10)]


@pytest.mark.parametrize("name, read, of", [("bore-line", 10, 13), ("master-check", 18, 18), ("sweep-turn", 150, 152)])
def test_the_captures_beside_the_demonstration_are_drafted(name, read, of):
    made, found = outcomes(read_capture(SAMPLES / f"{name}.capture.txt"))
    assert (made.read, made.frames) == (read, of) == (sum(not isinstance(one, Unread) for one in found), len(found))
    assert asks(made, "name no unit")


def test_the_same_capture_gives_the_same_draft():
    reads = lines(*(f"A{at % 2} +12.{at:04} mm {'GH'[at % 2]}" for at in range(20)))
    assert as_yaml(draft(reads), "drafted") == as_yaml(draft(list(reads)), "drafted")
    assert escape(b"\x1b") not in as_yaml(draft(reads), "drafted")
