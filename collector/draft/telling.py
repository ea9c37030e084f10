"""Texts from the wire in words for a person.

Knows: how they are quoted, so that no control character is among them.
Must not know: what is told with them.
"""


def shown(text: str) -> str:
    """The text quoted, what is not printable escaped."""
    return repr(text)


def listed(texts: tuple[str, ...]) -> str:
    """Up to five texts, quoted."""
    return ", ".join(map(shown, texts[:5])) + (", …" if len(texts) > 5 else "")
