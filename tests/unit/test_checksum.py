"""Checksums: where they stand, what they cover, how they are written."""

import pytest

from collector.frames.checksum import Checksum, build_checksum
from collector.frames.refused import FormatRefused
from collector.record import Unread

# XOR and sums of `01A+0012.3`: computed by hand from its bytes (invented line).
LINE = b"01A+0012.3"


@pytest.mark.parametrize("kind, form, places", [
    ("xor", "hex", b"75"), ("sum8", "hex", b"F1"), ("sum8", "hex", b"f1"), ("sum8-complement", "hex", b"0F"), ("sum16", "hex", b"01F1"),
    ("sum16", "bytes", b"\x01\xf1"), ("sum16", "bytes-swapped", b"\xf1\x01"), ("CRC-16/MODBUS", "bytes-swapped", b"\xc0\xe5"),
    ("crc-16/xmodem", "bytes", b"\xd7\x43"),
])
def test_a_right_sum_is_cut_off_and_any_changed_byte_is_seen(kind, form, places):
    verified = build_checksum(Checksum(kind, form=form))
    assert verified(LINE + places) == LINE
    for at in range(len(LINE)):
        changed = LINE[:at] + bytes([LINE[at] ^ 1]) + LINE[at + 1:]
        assert isinstance(verified(changed + places), Unread)


def test_after_may_stand_among_the_bytes_of_the_sum_itself():
    star = bytes([ord("*")])
    verified = build_checksum(Checksum("xor", after=b"*", form="bytes"))
    assert verified(star + b"*" + star) == star


@pytest.mark.parametrize("frame", [b"", b"7", b"75", b"01A+0012.3*7", b"01A+0012.3*075", b"01A+0012.3 75", b"01A+0012.3*75 ", b"01A+0012.3*+5", b"*_0"])
def test_a_missing_or_misplaced_sum_is_unread(frame):
    found = build_checksum(Checksum("xor", after=b"*"))(frame)
    assert isinstance(found, Unread) and found.reason == "checksum"


def test_the_sum_begins_right_behind_from_and_a_frame_without_it_is_unread():
    verified = build_checksum(Checksum("xor", after=b"*", from_=b"$"))
    assert verified(b"junk$01A+0012.3*75") == b"junk$01A+0012.3"
    assert isinstance(verified(b"01A+0012.3*75"), Unread)
    assert isinstance(verified(b"01A+0012.3*$5"), Unread)


def test_the_reason_names_what_was_sent_and_what_it_should_be():
    why = build_checksum(Checksum("sum8"))(LINE + b"F2").why
    assert "F2" in why and "F1" in why


@pytest.mark.parametrize("spec, key", [(Checksum("lrc"), "checksum.kind"), (Checksum("xor", form="octal"), "checksum.form")])
def test_an_unknown_kind_or_form_is_refused(spec, key):
    with pytest.raises(FormatRefused) as refused:
        build_checksum(spec)
    assert refused.value.key == key
