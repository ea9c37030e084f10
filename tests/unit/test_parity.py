"""Parity checked here: against parity counted bit by bit, however the bytes are chunked."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.ports.marks import unmark
from collector.ports.parity import ParityCheck


def sent(data: bytes, parity: str) -> bytes:
    """Seven bits and parity as a line of eight bits brings them: the parity bit counted here by strings of bits."""
    out = []
    for byte in data:
        ones = f"{byte:07b}".count("1")
        bit = {"E": ones % 2, "O": 1 - ones % 2, "M": 1, "S": 0}[parity]
        out.append(byte | bit << 7)
    return bytes(out)


def chunks(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in zip(edges, edges[1:])]


@pytest.mark.parametrize("parity", "EOMS")
@pytest.mark.parametrize("marked", [False, True])
@given(data=st.binary(max_size=40).map(lambda data: bytes(byte & 0x7F for byte in data)), cuts=st.lists(st.integers(0, 100), max_size=5))
def test_good_characters_lose_their_parity_bit_and_nothing_else(parity, marked, data, cuts):
    line = sent(data, parity)
    if marked:
        line = line.replace(b"\xff", b"\xff\xff")          # as a driver doubles it
    check = ParityCheck(parity, marked)
    assert b"".join(check.check(one) for one in chunks(line, cuts)) + check.rest() == data


@pytest.mark.parametrize("parity", "EOMS")
@given(data=st.binary(min_size=1, max_size=20).map(lambda data: bytes(byte & 0x7F for byte in data)), at=st.integers(0, 100),
       bit=st.integers(0, 7), cuts=st.lists(st.integers(0, 100), max_size=5))
def test_a_flipped_bit_makes_the_frame_one_with_a_line_error(parity, data, at, bit, cuts):
    line = bytearray(sent(data, parity))
    line[at % len(line)] ^= 1 << bit
    check = ParityCheck(parity, False)
    out = b"".join(check.check(one) for one in chunks(bytes(line), cuts)) + check.rest()
    seen_by_parity = parity in "EO" or bit == 7             # mark and space parity check the eighth bit alone
    assert unmark(out)[1] == seen_by_parity
    if seen_by_parity:
        assert b"\xff\x00" + bytes([line[at % len(line)]]) in out


@given(data=st.binary(max_size=20), cuts=st.lists(st.integers(0, 100), max_size=5))
def test_marks_of_the_driver_stay_and_chunking_changes_nothing(data, cuts):
    line = sent(b"12", "E") + b"\xff\x00\x41" + sent(b".018", "E") + b"\xff\xff" + data.replace(b"\xff", b"")
    check = ParityCheck("E", True)
    out = b"".join(check.check(one) for one in chunks(line, cuts))
    assert out.startswith(b"12\xff\x00\x41.018\x7f")
    assert out == ParityCheck("E", True).check(line)


def test_a_mark_that_nothing_follows_is_given_back_at_the_end():
    check = ParityCheck("E", True)
    assert check.check(b"\xff\x00") == b"" and check.rest() == b"\xff\x00" and check.rest() == b""
