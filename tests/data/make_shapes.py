"""Make samples/shapes: captures of invented line formats, and beside each what every frame of it truly says.

Knows: the true values, because it begins with them; how an invented column writes them.
Must not know: anything of `collector.draft`: what is expected is never what was found.

`python tests/data/make_shapes.py FOLDER` writes NAME.txt and NAME.records.jsonl.  Sums and CRCs are worked out here.
"""

import json
import sys
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import reduce
from operator import xor
from pathlib import Path
from random import Random

SHAPES: dict[str, Callable[[Random], "Shape"]] = {}
OVER, UNREAD = "over-range", "unread"


class Shape:
    """`frames`: (bytes, what they truly say), between `start` and `end`.

    `chop`: reads cut frames anywhere; `many`: above 1, a read may bring several; `plain`: without times.
    """

    def __init__(self, about: str, frames: list, *, end: bytes = b"\r\n", start: bytes = b"", chop: bool = False,
                 plain: bool = False, many: int = 1):
        self.about, self.frames, self.start, self.end = about, frames, start, end
        self.chop, self.plain, self.many = chop, plain, many


def shape(make: Callable[[Random], Shape]) -> Callable[[Random], Shape]:
    SHAPES[make.__name__.replace("_", "-")] = make
    return make


def says(value: Decimal, channel: str = "", unit: str = "", **more: str) -> list[dict]:
    return [{**({"channel": channel} if channel else {}), "value": f"{value:f}", **({"unit": unit} if unit else {}),
             **more}]


def sizes(rng: Random, count: int = 14, nominal: str = "12.0093", places: int = 4, spread: int = 90) -> list[Decimal]:
    return [Decimal(nominal) + Decimal(rng.randint(-spread, spread)).scaleb(-places) for _ in range(count)]


def deviations(rng: Random, count: int = 14, places: int = 4, spread: int = 90) -> list[Decimal]:
    found = [Decimal(rng.randint(-spread, spread) or 1).scaleb(-places) for _ in range(count)]
    return [abs(found[0]), -abs(found[1]), *found[2:]]


def channels(count: int, *names: str) -> list[str]:
    return [names[at % len(names)] for at in range(count)]


def lines(about: str, rows: list[tuple[str, object]], encoding: str = "ascii", **how) -> Shape:
    return Shape(about, [(text.encode(encoding), true) for text, true in rows], **how)


# --- signs, digits, units


@shape
def plain_size(rng):
    return lines("a size and nothing else", [(f"{v:+}", says(v)) for v in sizes(rng)])


@shape
def channel_size_unit(rng):
    return lines("channel, size, unit",
                 [(f"{c}  {v:+} mm", says(v, c, "mm")) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))],
                 chop=True)


@shape
def deviation_both_signs(rng):
    return lines("a signed deviation", [(f"{v:+} mm", says(v, unit="mm")) for v in deviations(rng)])


@shape
def sign_only_when_negative(rng):
    return lines("a sign only below zero, its place blank above",
                 [(f"{v: } mm", says(v, unit="mm")) for v in deviations(rng)])


@shape
def sign_and_blanks(rng):
    return lines("the sign, then blanks, then the digits",
                 [(f"A{'-' if v < 0 else '+'} {abs(v):>9} mm", says(v, unit="mm")) for v in deviations(rng)])


@shape
def sign_behind(rng):
    return lines("the sign behind the digits",
                 [(f"A1 {abs(v)}{'-' if v < 0 else '+'} mm", says(v, "A1", "mm")) for v in deviations(rng)])


@shape
def sign_behind_negative_only(rng):
    return lines("a minus behind the digits, nothing for plus",
                 [(f"{abs(v)}{'-' if v < 0 else ''}", says(v)) for v in deviations(rng)])


@shape
def sign_letter(rng):
    return lines("P or N for the sign",
                 [(f"{'N' if v < 0 else 'P'}{abs(v)} mm", says(v, unit="mm")) for v in deviations(rng)])


@shape
def sign_field(rng):
    return lines("the sign in a field of its own",
                 [(f"A1;{'-' if v < 0 else '+'};{abs(v)};mm", says(v, "A1", "mm")) for v in deviations(rng)])


@shape
def sign_as_status(rng):
    return lines("the sign at the end, as a status would stand",
                 [(f"A1 {abs(v)} mm {'-' if v < 0 else '+'}", says(v, "A1", "mm")) for v in deviations(rng)])


@shape
def hyphen_or_minus(rng):
    return lines("a hyphen between channel and size, never a sign",
                 [(f"{c}-{v}", says(v, c)) for c, v in zip(channels(14, "A1", "A2"), sizes(rng))])


@shape
def leading_zeros(rng):
    return lines("digits filled with zeros",
                 [(f"{c} {v:09.4f} mm", says(v, c, "mm")) for c, v in zip(channels(14, "U", "L", "M"), sizes(rng))])


@shape
def padded_with_blanks(rng):
    values = [v * (1 if at % 3 else 9) for at, v in enumerate(sizes(rng))]
    return lines("size right-aligned in twelve places",
                 [(f"{c}{v:>12} mm", says(v, c, "mm")) for c, v in zip(channels(14, "A1", "B1"), values)])


@shape
def decimal_comma_fields(rng):
    return lines("decimal comma, semicolons between", [(f"{c};{v:+};mm".replace(".", ","), says(v, c, "mm"))
                                                       for c, v in zip(channels(14, "A1", "B1"), sizes(rng))])


@shape
def decimal_comma_line(rng):
    return lines("decimal comma in a line",
                 [(f"M2 {v:+} mm".replace(".", ","), says(v, "M2", "mm")) for v in deviations(rng)])


@shape
def comma_or_decimal_comma(rng):
    return lines("channel, a comma, a number without decimals",
                 [(f"{c},{int(v * 10000)}", says(v, c)) for c,
                  v in zip(channels(14, "1", "2"), sizes(rng, nominal="1.2018"))])


@shape
def thousands(rng):
    return lines("thousands grouped by a comma",
                 [(f"{v:,.2f} um", says(v, unit="um")) for v in sizes(rng, nominal="12009.30", places=2, spread=9000)])


@shape
def implied_decimals(rng):
    return lines("four decimals that are not marked",
                 [(f"{int(v * 10000):+} mm", says(v, unit="mm")) for v in sizes(rng)])


@shape
def implied_decimals_padded(rng):
    return lines("channel and seven digits, four of them decimals",
                 [(f"{c} {int(v * 10000):07}", says(v, c)) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))])


@shape
def inches(rng):
    return lines("inches", [(f"{v} in", says(v, unit="in")) for v in sizes(rng, nominal="0.47281", places=5)])


@shape
def inch_mark(rng):
    return lines("inches by their mark",
                 [(f'{v}"', says(v, unit='"')) for v in sizes(rng, nominal="0.47281", places=5)])


@shape
def micrometres_whole(rng):
    return lines("whole micrometres", [(f"{int(v):+} um", says(v, unit="um")) for v in deviations(rng, places=0)])


@shape
def micro_sign(rng):
    return lines("the unit with a micro sign, in latin-1",
                 [(f"{v:+} µm", says(v, unit="µm")) for v in deviations(rng, places=1)], "latin-1")


@shape
def thou(rng):
    return lines("thousandths of an inch",
                 [(f"{c}:{v:+} thou", says(v, c, "thou")) for c,
                  v in zip(channels(14, "X", "Y"), deviations(rng, places=2))])


@shape
def mils(rng):
    return lines("a unit with two meanings", [(f"{v:+} mil", says(v, unit="mil")) for v in deviations(rng, places=2)])


@shape
def unit_before(rng):
    return lines("the unit in front", [(f"mm {v:+} {c}", says(v, c, "mm")) for c,
                                       v in zip(channels(14, "A1", "B1"), sizes(rng))])


@shape
def two_units(rng):
    rows = [(f"A1 {v} mm", says(v, "A1", "mm")) for v in sizes(rng, 8)] + [(f"A1 {v} in", says(v, "A1", "in"))
                                                                           for v in sizes(rng, 6, "0.47281", 5)]
    return lines("switched from mm to inches in between", rows)


@shape
def unit_glued(rng):
    return lines("letters glued to digits on both sides", [(f"{c}{v:+}mm{s}", says(v, c, "mm", status=s.strip()))
                                                          for c, s,
                                                           v in zip(channels(14, "X", "Y"),
                                                                    channels(14, " G", " G", " H"), sizes(rng))])


@shape
def channel_glued_to_digits(rng):
    return lines("channel A1 and an unsigned size, touching",
                 [(f"{c}{v} mm", says(v, c, "mm")) for c, v in zip(channels(14, "A1", "A2"), sizes(rng))])


@shape
def exponents(rng):
    return lines("sizes with an exponent", [(f"A1 {v / 10}e1 mm", says(v, "A1", "mm")) for v in sizes(rng)])


@shape
def lots_like_exponents(rng):
    return lines("lots that look like numbers with an exponent", [(f"LOT {lot} {c} {v} mm", says(v, c, "mm", lot=lot))
                                                                for lot, c,
                                                                  v in zip(channels(14, "1E3", "1E3", "2E7", "2E7"),
                                                                           channels(14, "A1", "B1"), sizes(rng))])


# --- channels, several readings, status, over-range


@shape
def channel_number(rng):
    return lines("channel as two digits",
                 [(f"{c} {v} mm", says(v, c, "mm")) for c, v in zip(channels(14, "01", "02", "03"), sizes(rng))])


@shape
def channel_name(rng):
    return lines("channel by name", [(f"{c:<5}{v:+} mm", says(v, c, "mm")) for c,
                                     v in zip(channels(14, "BORE", "SEAT"), sizes(rng))])


@shape
def one_channel(rng):
    return lines("one channel only", [(f"A1 {v} mm", says(v, "A1", "mm")) for v in sizes(rng)])


@shape
def channel_behind(rng):
    return lines("the channel behind the size",
                 [(f"{v:+} {c}", says(v, c)) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))])


@shape
def several_channels(rng):
    pairs = zip(sizes(rng), sizes(rng, nominal="18.0012"))
    return lines("two channels in a frame", [(f"A1={a} B1={b}", says(a, "A1") + says(b, "B1")) for a, b in pairs])


@shape
def several_fields(rng):
    pairs = zip(sizes(rng), sizes(rng, nominal="18.0012"), sizes(rng, nominal="25.0001"))
    return lines("three channels in fields",
                 [(f"U;{a};M;{b};L;{c}", says(a, "U") + says(b, "M") + says(c, "L")) for a, b, c in pairs])


@shape
def several_glued(rng):
    pairs = zip(deviations(rng), deviations(rng))
    return lines("two channels and nothing between", [(f"A{a:+}B{b:+}", says(a, "A") + says(b, "B")) for a, b in pairs])


@shape
def several_with_head(rng):
    pairs = zip(sizes(rng), sizes(rng, nominal="18.0012"))
    return lines("a running number, then two channels",
                 [(f"#{at:04} A1 {a} mm, B1 {b} mm", says(a, "A1", "mm") + says(b, "B1", "mm"))
                                                       for at, (a, b) in enumerate(pairs, 96)])


@shape
def several_with_over_range(rng):
    pairs = zip(sizes(rng), sizes(rng, nominal="18.0012"))
    return lines("two channels, dashes where one has no part",
                 [(f"A1={a} B1={b}", says(a, "A1") + says(b, "B1")) if at % 4 else
                                                              (f"A1={a} B1=-------", says(a, "A1")
                                                               + [{"channel": "B1", OVER: True}])
                                                              for at, (a, b) in enumerate(pairs)])


@shape
def several_unnamed(rng):
    pairs = zip(sizes(rng), sizes(rng, nominal="18.0012"))
    return lines("two values, and nothing that names them",
                 [(f"{a};{b}", says(a, "1") + says(b, "2")) for a, b in pairs])


@shape
def status_letter(rng):
    return lines("a letter for the verdict",
                 [(f"A1 {v} mm {s}", says(v, "A1", "mm", status=s)) for s,
                  v in zip(channels(14, "G", "G", "L", "H"), sizes(rng))])


@shape
def status_word(rng):
    return lines("comma separated, verdict in words", [(f"{c},{v},mm,{s}", says(v, c, "mm", status=s)) for c, s, v in
                                                     zip(channels(14, "BORE", "SEAT"),
                                                         channels(14, "OK", "OK", "HI", "LO"), sizes(rng))])


@shape
def status_first(rng):
    return lines("the verdict in front",
                 [(f"{s} {v} mm", says(v, unit="mm", status=s)) for s,
                  v in zip(channels(14, "OK", "OK", "NG"), sizes(rng))])


@shape
def status_place_blank(rng):
    return lines("a status that is blank while all is well",
                 [(f"{c} {v} {s} mm", says(v, c, "mm", **({"status": s.strip()} if s.strip() else {})))
                                                           for c, s,
                  v in zip(channels(14, "A1", "B1"), channels(14, " ", " ", " ", "H"), sizes(rng))])


@shape
def status_mark_sometimes(rng):
    return lines("a mark behind a size out of limits",
                 [(f"{c} {v} mm{'!' if at % 4 == 0 else ''}",
                   says(v, c, "mm", **({"status": "!"} if at % 4 == 0 else {})))
                                                      for at,
                  (c, v) in enumerate(zip(channels(14, "A1", "B1"), sizes(rng)))])


@shape
def over_range_dashes(rng):
    return lines("dashes where no part is on",
                 [(f"{c}  {'-------' if at % 5 == 3 else v} mm", OVER if at % 5 == 3 else says(v, c, "mm"))
                                              for at,
                  (c, v) in enumerate(zip(channels(16, "A1", "B1"), sizes(rng, 16)))])


@shape
def over_range_word(rng):
    return lines("OPEN as the whole frame",
                 [("OPEN", OVER) if at % 4 == 2 else (f"{v:+} mm", says(v, unit="mm")) for at,
                  v in enumerate(sizes(rng, 16))])


@shape
def over_range_word_in_field(rng):
    return lines("OVER in the field of the size",
                 [(f"{c}\t{'OVER' if at % 4 == 2 else v}\tmm", OVER if at % 4 == 2 else says(v, c, "mm"))
                                                 for at,
                  (c, v) in enumerate(zip(channels(16, "A1", "B1"), sizes(rng, 16)))])


@shape
def over_range_nines(rng):
    return lines("nines where the span ends",
                 [(f"A1 {'9999.99' if at % 5 == 3 else v} mm", OVER if at % 5 == 3 else says(v, "A1", "mm"))
                                             for at, v in enumerate(sizes(rng, 16, "12.01", 2, 30))])


@shape
def over_range_unknown_word(rng):
    return lines("a word that nobody knows, in the size's place",
                 [(f"A1 {'LUFT' if at % 4 == 2 else v} mm", OVER if at % 4 == 2 else says(v, "A1", "mm"))
                                                                for at, v in enumerate(sizes(rng, 16))])


# --- bounds of frames


@shape
def stx_etx(rng):
    return lines("between STX and ETX",
                 [(f"{c}{v:+}", says(v, c)) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))], start=b"\x02",
                 end=b"\x03", chop=True)


@shape
def carriage_return(rng):
    return lines("ends with CR", [(f"{v:+} mm", says(v, unit="mm")) for v in sizes(rng)], end=b"\r", chop=True)


@shape
def line_feed(rng):
    return lines("ends with LF", [(f"{v:+} mm", says(v, unit="mm")) for v in sizes(rng)], end=b"\n", chop=True)


@shape
def own_end_mark(rng):
    return lines("ends with a number sign",
                 [(f"{c} {v} mm", says(v, c, "mm")) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))], end=b"#",
                 chop=True)


@shape
def fixed_length(rng):
    return lines("ten bytes and no end, one frame or more a read",
                 [(f"{c} {v:+}", says(v, c)) for c, v in zip(channels(18, "A", "B"), sizes(rng, 18))],
                 end=b"", many=3)


@shape
def quiet_gap(rng):
    values = [v * (1 if at % 3 else 9) for at, v in enumerate(sizes(rng))]
    return lines("no end mark, quiet between frames", [(f"{v} mm", says(v, unit="mm")) for v in values], end=b"")


@shape
def plain_lines(rng):
    return lines("copied from a terminal, without times", [(f"A1 {v} mm", says(v, "A1", "mm")) for v in sizes(rng)],
                 end=b"\n", plain=True)


@shape
def header_and_noise(rng):
    rows = [(f"{c} {v:+} mm", says(v, c, "mm")) for c, v in zip(channels(14, "A1", "B1"), sizes(rng))]
    noise = [(b"COLUMN 7 READY", UNREAD), (b"   ", UNREAD), (b"\xf5\x81A1 +12.0\x93", UNREAD), (b"A1 +12.", UNREAD)]
    made = [(text.encode(), true) for text, true in rows]
    return Shape("a greeting, blank lines, noise and a torn frame between", noise[:1] + made[:5] + noise[1:3]
                 + made[5:9] + noise[3:] + made[9:])


@shape
def wrong_line_settings(rng):
    frames = [(bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in f"A1 {v} mm".encode()),
               says(v, "A1", "mm")) for v in sizes(rng)]
    return Shape("7E1 read as 8N1: half of the bytes have the parity in them", frames)


# --- checksums, worked out here


def crc(data: bytes, width: int, polynomial: int, start: int, reflected: bool, end: int = 0) -> int:
    """A CRC bit by bit: width, polynomial (not reflected), start value, reflected or not, what it ends with."""
    top, mask, value = 1 << (width - 1), (1 << width) - 1, start
    for byte in data:
        value ^= (int(f"{byte:08b}"[::-1], 2) if reflected else byte) << (width - 8)
        for _ in range(8):
            value = ((value << 1) ^ polynomial if value & top else value << 1) & mask
    return (int(f"{value:0{width}b}"[::-1], 2) if reflected else value) ^ end


def summed(about: str, rng: Random, seal: Callable[[bytes], bytes], head: str = "", unit: str = " mm") -> Shape:
    texts = [(f"{head}{c} {v:+}{unit}".encode(), says(v, c, unit.strip())) for c,
             v in zip(channels(16, "A1", "B1"), sizes(rng, 16))]
    return Shape(about, [(seal(data), true) for data, true in texts])


@shape
def check_xor(rng):
    return summed("XOR in hex behind *, from behind $", rng, lambda data: data + b"*%02X" % reduce(xor, data[1:]), "$")


@shape
def check_xor_with_etx(rng):
    def seal(data: bytes) -> bytes:
        data += b"\x03"
        return data + b"%02X" % reduce(xor, data[1:])
    return summed("XOR over all behind STX, ETX with it, in hex behind ETX", rng, seal, "\x02")


@shape
def check_sum8(rng):
    return summed("sum of 8 bits in hex behind a colon", rng, lambda data: data + b":%02X" % (sum(data) % 256))


@shape
def check_sum8_complement(rng):
    return summed("complement of the sum in hex, no mark before it", rng, lambda data: data
                  + b"%02X" % (-sum(data) % 256))


@shape
def check_sum16(rng):
    return summed("sum of 16 bits in hex behind a semicolon, lower case", rng, lambda data: data + b";%04x" % sum(data))


@shape
def check_crc8(rng):
    return summed("CRC of 8 bits in hex behind *", rng, lambda data: data + b"*%02X" % crc(data, 8, 0x07, 0, False))


@shape
def check_crc16_modbus(rng):
    return summed("CRC-16 in hex behind *", rng, lambda data: data + b"*%04X" % crc(data, 16, 0x8005, 0xFFFF, True))


@shape
def check_crc16_modbus_bytes(rng):
    return summed("CRC-16 as two bytes, the low one first", rng, lambda data: data
                  + crc(data, 16, 0x8005, 0xFFFF, True).to_bytes(2, "little"))


@shape
def check_crc16_xmodem_bytes(rng):
    return summed("CRC-16 as two bytes, the high one first", rng, lambda data: data
                  + crc(data, 16, 0x1021, 0, False).to_bytes(2, "big"))


@shape
def check_crc32(rng):
    return summed("CRC-32 in hex behind a blank", rng, lambda data: data
                  + b" %08X" % crc(data, 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF))


@shape
def check_unknown(rng):
    return summed("a checksum of a kind of its own", rng, lambda data: data
                  + b"*%02X" % (crc(data, 8, 0x4D, 0x5A, False)))


@shape
def check_with_damage(rng):
    made = summed("XOR in hex behind *; two frames were damaged on the line", rng, lambda data: data
                  + b"*%02X" % reduce(xor, data))
    for at in (4, 9):
        made.frames[at] = (made.frames[at][0].replace(b"0", b"8", 1), UNREAD)
    return made


# --- time, serial, lot, kind, and numbers that are no sizes


@shape
def time_iso(rng):
    return lines("date and time in front",
                 [(f"2026-03-02T07:15:{at:02} {c} {v} mm", says(v, c, "mm", time=f"2026-03-02T07:15:{at:02}"))
                                          for at, (c, v) in enumerate(zip(channels(14, "A1", "B1"), sizes(rng)))])


@shape
def time_with_dots(rng):
    return lines("date and time in German writing, decimal comma",
                 [(f"22.03.2026 07:15:{at:02}; {v:+} mm".replace(".", ",").replace("22,03,", "22.03."),
                                                                   says(v, unit="mm",
                                                                        time=f"2026-03-22T07:15:{at:02}")) for at,
                  v in enumerate(sizes(rng))])


@shape
def time_in_fields(rng):
    return lines("date and time in fields",
                 [(f"2026-03-02,07:15:{at * 3:02},{c},{v},mm", says(v, c, "mm", time=f"07:15:{at * 3:02}"))
                                           for at, (c, v) in enumerate(zip(channels(14, "A1", "B1"), sizes(rng)))])


@shape
def date_like_number(rng):
    return lines("a date as a number, and a size without a decimal mark",
                 [(f"20260302 {int(v * 10000)} mm", says(v, unit="mm")) for v in sizes(rng)])


@shape
def serial_and_lot(rng):
    return lines("serial and lot by their keys", [(f"SN={4711 + at // 2 * 3} LOT=B{12 + at // 7} CH={c} V={v} mm",
                                                 says(v, c, "mm", serial=str(4711 + at // 2 * 3),
                                                      lot=f"B{12 + at // 7}"))
                                                for at, (c, v) in enumerate(zip(channels(14, "1", "2"), sizes(rng)))])


@shape
def serial_in_fields(rng):
    return lines("an unnamed serial number in a field",
                 [(f"PH{rng.randint(10000, 99999)};{c};{v}", says(v, c)) for c,
                  v in zip(channels(14, "A1", "B1"), sizes(rng))])


@shape
def keys_and_values(rng):
    return lines("key=value", [(f"CH={c};V={v:+};U=mm;ST={s}", says(v, c, "mm", status=s)) for c, s, v in
                              zip(channels(14, "1", "2"), channels(14, "G", "G", "H"), sizes(rng))])


@shape
def kinds(rng):
    return lines("rings and parts by their word",
                 [(f"{k} {c} {v:+} mm", says(v, c, "mm", kind="master" if k == "RING" else "measurement")) for k, c,
                  v in
                                                 zip(channels(15, "RING", "RING", "PART", "PART", "PART"),
                                                     channels(15, "A1", "B1"), sizes(rng, 15))])


@shape
def running_number(rng):
    return lines("a running number in front",
                 [(f"{at:04} {v} mm", says(v, unit="mm")) for at, v in enumerate(sizes(rng), 17)])


@shape
def running_number_and_whole_value(rng):
    return lines("a running number beside a value without a decimal mark",
                 [(f"{at:05} {int(v * 10000)}", says(v)) for at, v in enumerate(sizes(rng), 12017)])


@shape
def nominal_beside(rng):
    return lines("the nominal beside the size",
                 [(f"A1 NOM 12.0000 ACT {v} mm", says(v, "A1", "mm")) for v in sizes(rng)])


@shape
def constant_beside(rng):
    return lines("two numbers, one of which is always the same",
                 [(f"{v};12.0000;mm", says(v, unit="mm")) for v in sizes(rng)])


@shape
def size_and_deviation(rng):
    return lines("a size and its deviation", [(f"A1 {v} {v - 12:+} mm", says(v, "A1", "mm")) for v in sizes(rng)])


@shape
def temperature_beside(rng):
    return lines("a temperature beside the size",
                 [(f"A1 {v} mm {t} C", says(v, "A1", "mm")) for v,
                  t in zip(sizes(rng), sizes(rng, nominal="20.4", places=1, spread=6))])


@shape
def touching_columns(rng):
    values = [v if at % 2 else -v for at, v in enumerate(deviations(rng, 16, 3, 30000))]
    return lines("fixed places, fields that touch", [(f"{c}{v:+08.3f}{s}", says(v, c, status=s)) for c, s, v in
                                                   zip(channels(16, "01", "02"), channels(16, "G", "G", "H", "L"),
                                                       values)])


@shape
def touching_sometimes(rng):
    values = [v * (-1 if at % 3 == 0 else 10 if at % 5 == 1 else 1) for at, v in enumerate(sizes(rng, 16, "12.009", 3))]
    return lines("fixed places, the value fills its own now and then",
                 [(f"{c}{v:7.3f}{s}", says(v.quantize(Decimal("0.001")), c, status=s)) for c, s, v in
                                                                     zip(channels(16, "01", "02"),
                                                                         channels(16, "G", "G", "H", "L"), values)])


@shape
def digits_touching(rng):
    return lines("channel and value in one run of digits",
                 [(f"{c}{int(v * 10000):06}", says(v, c)) for c, v in zip(channels(14, "1", "2"), sizes(rng))])


@shape
def two_whole_numbers(rng):
    return lines("two whole numbers, one of them the value",
                 [(f"{rng.randint(100, 999)} {int(v * 100)}", says(v)) for v in sizes(rng, places=2)])


@shape
def two_sizes(rng):
    return lines("two numbers that change, unnamed",
                 [(f"{a} {b} mm", says(a, unit="mm")) for a, b in zip(sizes(rng), sizes(rng, nominal="12.0050"))])


@shape
def no_number(rng):
    return lines("words only", [(word, UNREAD) for word in channels(12, "READY", "BUSY", "READY", "DOOR OPEN")])


@shape
def all_different(rng):
    rows = [f"A1 {v}" for v in sizes(rng, 3)] + [f"{v};X;{v}" for v in sizes(rng, 3)] + [f"T {v} mm N"
                                                                                         for v in sizes(rng, 3)] + \
        [f"[{v}]" for v in sizes(rng, 3)] + [f"{v}/B7/Q" for v in sizes(rng, 3)]
    return lines("five kinds of line, none of which is common", [(text, UNREAD) for text in rows])


# --- writing


def capture(made: Shape, rng: Random) -> Iterator[str]:
    yield f"# invented line format: {made.about}\n"
    if made.plain:
        yield from (frame.decode() + "\n" for frame, _ in made.frames)
        return
    at, waiting = 0.0, b""
    for index, (frame, _) in enumerate(made.frames):
        waiting += made.start + frame + made.end
        if made.many > 1 and index + 1 < len(made.frames) and rng.random() < 0.5:
            continue
        for piece in _chopped(waiting, rng) if made.chop else [waiting]:
            yield f"{at:.6f}\t{written(piece)}\n"
            at += 0.002
        waiting, at = b"", at + rng.choice((0.4, 0.5, 0.9))


def _chopped(data: bytes, rng: Random) -> list[bytes]:
    cut = rng.randrange(len(data))
    return [piece for piece in (data[:cut], data[cut:]) if piece]


def written(data: bytes) -> str:
    return "".join("\\\\" if byte == 0x5C else chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in data)


def truth(made: Shape) -> Iterator[str]:
    for frame, true in made.frames:
        yield json.dumps({"frame": written(frame),
                          **({true: True} if isinstance(true, str) else {"readings": true})}) + "\n"


def write(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in SHAPES.items():
        made, rng = make(Random(name)), Random(name + "/reads")
        (folder / f"{name}.txt").write_text("".join(capture(made, rng)), encoding="ascii")
        (folder / f"{name}.records.jsonl").write_text("".join(truth(made)), encoding="ascii")


if __name__ == "__main__":
    write(Path(sys.argv[1]))
