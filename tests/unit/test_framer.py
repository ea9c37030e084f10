"""The framer: the same frames whatever the chunking, every byte counted, nothing without bound."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.frames.framer import Framing, build_framer
from collector.record import Chunk, Frame

FRAMINGS = {
    "default": Framing(longest=8),
    "crlf": Framing(end=(b"\r\n",), longest=8),
    "etx": Framing(end=(b"\x03",), longest=8),
    "stx-etx": Framing(start=b"\x02", end=(b"\x03",), longest=8),
    "long marks": Framing(start=b"<<", end=(b">>",), longest=8),
    "mark within mark": Framing(start=b"<", end=(b"<<",), longest=8),
    "mark behind a longer one's first byte": Framing(start=b"1.", end=(b"01.0",), longest=8),
    "marks of blanks": Framing(start=b"\r", end=(b"\r\n",), longest=8),
    "start and any line end": Framing(start=b"\x02", longest=8),
    "one mark for both": Framing(start=b'"', end=(b'"',), longest=8),
    "length": Framing(length=3),
}
ALPHABET = b'01.\r\n\x02\x03<>"'


def chunk(data: bytes, at: int = 0) -> Chunk:
    return Chunk("p", data, at, at)


def cut_up(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(set(cuts)), len(data)]
    return [data[one:two] for one, two in zip(edges, edges[1:])]


def frames_of(framing: Framing, pieces: list[bytes]) -> tuple[list[Frame], object]:
    framer = build_framer(framing)
    frames = [frame for piece in pieces for frame in framer.feed(chunk(piece))]
    return frames + framer.cut(0), framer


STREAMS = st.one_of(st.lists(st.sampled_from(ALPHABET), max_size=60).map(bytes),
                    st.lists(st.sampled_from([b"\r\n" * 9, b"\r" * 20, b"\x02", b"\x03", b"<", b"<<", b">>", b"01", b"1.", b"0" * 20]),
                             max_size=8).map(lambda runs: b"".join(runs)[:60]))


@pytest.mark.parametrize("framing", FRAMINGS.values(), ids=FRAMINGS)
@settings(max_examples=300)
@given(data=STREAMS, cuts=st.lists(st.integers(0, 60), max_size=12))
def test_same_bytes_give_same_frames_however_they_are_chunked(framing, data, cuts):
    whole, framer = frames_of(framing, [data])
    assert frames_of(framing, cut_up(data, [cut for cut in cuts if cut <= len(data)]))[0] == whole
    assert frames_of(framing, [data[i:i + 1] for i in range(len(data))])[0] == whole
    assert len(data) == framer.taken + framer.marks + framer.discarded and framer.waiting == 0


@pytest.mark.parametrize("framing", FRAMINGS.values(), ids=FRAMINGS)
@settings(max_examples=100)
@given(data=st.lists(st.sampled_from(ALPHABET), max_size=60).map(bytes))
def test_every_byte_is_counted_at_every_moment(framing, data):
    framer = build_framer(framing)
    for fed in range(len(data)):
        framer.feed(chunk(data[fed:fed + 1]))
        assert fed + 1 == framer.taken + framer.marks + framer.discarded + framer.waiting


def texts(framing: Framing, *pieces: bytes) -> list[tuple[bytes, str, int]]:
    return [(frame.data, frame.fault, frame.discarded) for frame in frames_of(framing, list(pieces))[0]]


def test_cr_lf_and_crlf_each_end_a_frame_and_blank_lines_are_none():
    assert texts(Framing(), b"1\r2\n3\r", b"\n\r\n4\n") == [(b"1", "", 0), (b"2", "", 0), (b"3", "", 0), (b"4", "", 0)]


def test_end_mark_cut_in_two_reads_makes_one_frame():
    assert texts(Framing(end=(b"\r\n",)), b"+1.0\r", b"\n") == [(b"+1.0", "", 0)]


def test_half_frame_at_a_loss_comes_out_cut_and_is_not_joined():
    framer = build_framer(Framing())
    framer.feed(chunk(b"+12."))
    assert framer.cut(5) == [Frame(b"+12.", 5, "cut")]
    assert framer.feed(chunk(b"018\r")) == [Frame(b"018", 0)]


def test_line_without_end_keeps_its_first_bytes_and_counts_the_rest_in_bounded_memory():
    framer = build_framer(Framing(longest=16))
    for _ in range(1000):
        assert framer.feed(chunk(b"x" * 1000)) == []
        assert framer.waiting <= 16
    assert framer.feed(chunk(b"y\r12.5\r")) == [Frame(b"x" * 16, 0, "too-long", 1_000_001 - 16), Frame(b"12.5", 0)]


def test_second_start_before_an_end_makes_the_first_frame_cut():
    framing = Framing(start=b"\x02", end=(b"\x03",))
    assert texts(framing, b"\x0212\x02", b"13\x03") == [(b"12", "cut", 0), (b"13", "", 0)]


def test_bytes_outside_start_and_end_are_kept_unless_blank():
    framing = Framing(start=b"\x02", end=(b"\x03",))
    assert texts(framing, b"\x021\x03\r\n noise\x022\x03") == [(b"1", "", 0), (b"noise", "no-match", 0), (b"2", "", 0)]


def test_quiet_gap_ends_a_frame_where_the_line_was_seen_to_be_quiet_for_so_long():
    framer = build_framer(Framing(gap_ms=20))
    ms = 1_000_000
    assert framer.feed(chunk(b"12", 0)) == []
    assert framer.feed(chunk(b".5", 90 * ms)) == []                  # read late is not come late
    assert framer.due_ns == 110 * ms
    assert framer.tick(109 * ms) == []
    assert framer.tick(110 * ms) == [Frame(b"12.5", 90 * ms)]
    assert framer.due_ns is None and framer.tick(10**12) == []
    framer.feed(chunk(b"9", 0))
    assert framer.cut(7) == [Frame(b"9", 7, "cut")] and framer.due_ns is None


def test_frames_of_a_length_find_their_place_again_behind_a_byte_that_was_lost():
    framer, ms = build_framer(Framing(length=4)), 1_000_000
    assert framer.feed(chunk(b"1.012.", 0)) == [Frame(b"1.01", 0)] and framer.due_ns == 500 * ms
    assert framer.feed(chunk(b"02", 900 * ms)) == [Frame(b"2.02", 900 * ms)] and framer.due_ns is None
    assert framer.feed(chunk(b"303", 1000 * ms)) == [] and framer.tick(1499 * ms) == []
    assert framer.tick(1500 * ms) == [Frame(b"303", 1000 * ms, "cut")] and framer.due_ns is None
    assert framer.feed(chunk(b"4.04", 2000 * ms)) == [Frame(b"4.04", 2000 * ms)]
    assert framer.taken == 4 + 4 + 3 + 4 and framer.waiting == 0
    held_up = build_framer(Framing(length=4, rest_ms=0))            # where lines have no times
    assert held_up.feed(chunk(b"5.", 0)) == [] and held_up.due_ns is None and held_up.tick(10**12) == []
    assert held_up.feed(chunk(b"05", 10**12)) == [Frame(b"5.05", 10**12)]


def test_any_run_of_blanks_between_frames_is_silent_however_long_and_however_chunked():
    framing = Framing(start=b"\x02", end=(b"\x03",), longest=8)
    data = b" " * 30 + b"\x021\x03"
    assert texts(framing, data) == texts(framing, *[data[at:at + 1] for at in range(len(data))]) == [(b"1", "", 0)]


@settings(max_examples=200)
@given(bursts=st.lists(st.binary(min_size=1, max_size=20), max_size=6), cuts=st.lists(st.integers(1, 19), max_size=5))
def test_bursts_between_gaps_are_frames_however_each_was_read(bursts, cuts):
    ms, framing = 1_000_000, Framing(gap_ms=20, longest=8)
    whole, split = build_framer(framing), build_framer(framing)
    once, often = [], []
    for number, burst in enumerate(bursts):
        for framer, found in ((whole, once), (split, often)):
            found += framer.tick(number * 20 * ms)
        once += whole.feed(chunk(burst, number * 20 * ms))
        for piece in cut_up(burst, [cut for cut in cuts if cut < len(burst)]):
            often += split.feed(chunk(piece, number * 20 * ms))
    assert often + split.tick(10**12) == once + whole.tick(10**12)
    assert len(once) == max(len(bursts) - 1, 0) and whole.waiting == 0
    assert sum(map(len, bursts)) == whole.taken + whole.discarded


def test_start_with_several_end_marks_takes_any_of_them_also_one_that_is_the_start_itself():
    assert texts(Framing(start=b"\x02"), b"\x0212\n\x0213\r") == [(b"12", "", 0), (b"13", "", 0)]
    assert texts(Framing(start=b"\n"), b"\n12\n\r\n13\r") == [(b"12", "", 0), (b"13", "", 0)]
