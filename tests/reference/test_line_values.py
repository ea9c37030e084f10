"""Checksums, clocks and a foreign line format against figures from outside the project.

Sources.  tests/data/crc-check-values.csv: check values of the public CRC catalogue ("123456789"), as stored in crccheck
and, where it has them, reproduced by crcmod (not run here); zlib and binascii of the standard library run beside ours.  NMEA 0183 sentences: the XOR of what
lies between `$` and `*`, as published with pynmea2.  tests/data/dst-cases.csv: hours around clock changes, computed with
the IANA time zone database.
"""

import binascii
import csv
import re
import zlib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.frames.checksum import Checksum, build_checksum
from collector.frames.framer import Framing, build_framer
from collector.frames.parser import FormatSpec, build_parser
from collector.frames.sent_time import SentTimeSpec, build_sent_time
from collector.record import Chunk, Unread

DATA = Path(__file__).parent.parent / "data"


def rows(name):
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def catalogue_name(name: str) -> str:
    """`Crc16IbmSdlc` of the file -> `crc-16/ibm-sdlc` of the catalogue."""
    width, rest = re.fullmatch(r"Crc([0-9]+)(\w*)", name).groups()
    words = re.sub(r"(?<=[a-z])(?=[A-Z0-9])", "-", rest).lower()
    return f"crc-{width}/{words}" if words else f"crc-{width}"


CHECKS = [(catalogue_name(row["name"]), int(row["check_123456789"], 16)) for row in rows("crc-check-values.csv")]
CHECKS += [("xor", 0x31)]


@pytest.mark.parametrize("kind, value", CHECKS)
def test_published_check_value(kind, value):
    digits = 8 if "crc-32" in kind else 4 if "crc-16" in kind else 2
    checked = build_checksum(Checksum(kind, after=b"*"))
    assert checked(b"123456789*%0*X" % (digits, value)) == b"123456789"
    assert isinstance(checked(b"123456788*%0*X" % (digits, value)), Unread)


@given(st.binary(min_size=1, max_size=30))
def test_crcs_agree_with_the_standard_library(data):
    for kind, width, value in [("crc-16/xmodem", 2, binascii.crc_hqx(data, 0)), ("crc-32/iso-hdlc", 4, zlib.crc32(data))]:
        assert build_checksum(Checksum(kind, form="bytes"))(data + value.to_bytes(width, "big")) == data
        assert build_checksum(Checksum(kind, form="bytes-swapped"))(data + value.to_bytes(width, "little")) == data


SENTENCES = [(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", "545.4"),
             (b"$GPGLL,5057.970,N,00146.110,E,142451,A*27", "5057.970"),
             (b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D", "100.00")]


@pytest.mark.parametrize("sentence, value", SENTENCES)
def test_a_published_foreign_line_format_takes_configuration_only(sentence, value):
    height = r"^\$(?P<channel>GPGGA),(?:[^,]*,){8}(?P<value>-?\d+\.\d+),M,"
    latitude = r"^\$(?P<channel>GPGLL),(?P<value>\d+\.\d+),[NS],"
    pattern = latitude if b"GPGLL" in sentence else height
    parser = build_parser(FormatSpec(name="foreign", pattern=pattern, unit="mm", checksum=Checksum("xor", after=b"*", from_=b"$")))
    framer = build_framer(Framing())
    frames = [frame for at in range(0, len(sentence) + 2, 7) for frame in framer.feed(Chunk("p", (sentence + b"\r\n")[at:at + 7], 0, 0))]
    found, = parser.parse(frames[0].data)
    assert (found.value, found.said["channel"]) == (Decimal(value), sentence[1:6].decode())
    assert parser.parse(sentence.replace(b"1", b"2", 1)).reason == "checksum"


@pytest.mark.parametrize("row", rows("dst-cases.csv"), ids=lambda row: f"{row['zone']} {row['local_time']}")
def test_hours_around_clock_changes(row):
    found = build_sent_time(SentTimeSpec("%Y-%m-%dT%H:%M:%S", row["zone"]))(row["local_time"])
    flag = {"normal": "", "ambiguous": "time-ambiguous"}.get(row["kind"], "time-nonexistent")
    assert (found.flag, found.zone) == (flag, row["zone"])
    assert found.utc.replace(".000000", "") == ("" if flag else row["fold0_utc"])
