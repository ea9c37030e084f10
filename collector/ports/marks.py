"""What a driver writes into the stream where a character had a parity, framing or break error.

Knows: a bad character X stands as `FF 00 X` (a break as `FF 00 00`), a good `FF` as `FF FF`.
Must not know: frames, formats, who asked for the marks.

Frames are cut first and unmarked after: a mark never holds an end mark before its own last byte, so the worst that a
bad end mark does is to end a frame that says of itself that it had an error.
"""

BAD = b"\xff\x00"
"""What stands before a character that had an error."""

_MARK = 0xFF


def unmark(data: bytes) -> tuple[bytes, bool]:
    """A frame from a marked line -> (its characters, whether one of them had a line error).

    With an error the bytes come back with their marks in, as the driver gave them: they are for a person to look at.
    """
    at = data.find(_MARK)
    while at >= 0:
        if data[at + 1:at + 2] != b"\xff":
            return data, True
        at = data.find(_MARK, at + 2)
    return data.replace(b"\xff\xff", b"\xff"), False
