"""Words that columns write, and what they are likely to mean.  Only here is anything supposed from a word.

Knows: tables.
Must not know: where in a frame a word stands.
"""

KEYS = {
    **dict.fromkeys(("CH", "CHAN", "CHANNEL", "KANAL", "GAUGE"), "channel"),
    **dict.fromkeys(("SN", "SER", "SERIAL", "SNR"), "serial"),
    **dict.fromkeys(("LOT", "BATCH", "CHARGE"), "lot"),
    **dict.fromkeys(("OP", "OPERATOR", "USER"), "operator"),
    **dict.fromkeys(("STAT", "STATUS", "RES", "RESULT", "JUDGE"), "status"),
    **dict.fromkeys(("VAL", "VALUE", "MEAS", "DIA", "SIZE", "DIM", "ACT"), "value"),
    **dict.fromkeys(("TEMP", "TEMPERATURE"), "temperature"),
    **dict.fromkeys(("NOM", "NOMINAL", "USL", "LSL", "TOL", "LIM", "LIMIT", "MASTER", "REF"), "limit"),
    **dict.fromkeys(("NO", "NR", "CNT", "COUNT", "SEQ"), "running"),
    "UNIT": "unit",
}
"""A word in front of a field, by itself or with = or : -> what the field is."""

KEYS_WITH_SIGN = {**KEYS, "C": "channel", "S": "status", "U": "unit", "L": "lot", "B": "lot",
                  "T": "temperature", "N": "running", "KIND": "kind", "TYPE": "kind", "PN": "part", "PART": "part"}
"""The same where = or : follows, so that one letter is enough."""

MASTERS = frozenset(("RING", "MASTER", "MST", "MASTR", "SET", "SETTING", "CAL", "REF", "NORM"))
PARTS = frozenset(("PART", "WORK", "MEAS", "PIECE", "MEASURE", "RUN"))

STATUSES = frozenset(("OK", "NOK", "NG", "HI", "LO", "HIGH", "LOW", "GO", "NOGO", "PASS", "FAIL", "GOOD", "BAD",
                      "REWORK", "SCRAP", "OVER", "UNDER",
                      "G", "L", "H", "E", "W", "ERR", "WARN"))

NO_PART = frozenset(("OPEN", "OVER", "UNDER", "OVR", "UDR", "OL", "OFL", "UFL", "OR", "OVL", "OVERRANGE", "OVERFLOW",
                     "UNDERRANGE", "NOPART", "NONE", "EMPTY", "HIGH",
                     "LOW", "OUT", "OFF", "HHHH", "LLLL"))

SIGN_WORDS = ({"P", "N"}, {"P", "M"}, {"PLUS", "MINUS"}, {"POS", "NEG"}, {"PL", "MI"})

MINUS_WORDS = frozenset(("N", "NEG", "MINUS", "MI"))

NEARLY_UNITS = {
    **dict.fromkeys(("mic", "mics", "micron", "microns", "mu", "u", "mcm"), "um"),
    **dict.fromkeys(("zoll", "inches", "ins"), "in"),
    **dict.fromkeys(("mil", "mils", "th", "tho", "thous"), "thou"), "uins": "uin", "millim": "mm",
}
"""Texts that may be a unit, but none that the collector takes from a frame -> the unit they may mean."""

TEMPERATURES = frozenset(("C", "DEGC", "F", "DEGF", "°", "K"))
