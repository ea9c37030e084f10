"""What a page says of itself: the tables beside it, their digests, the configuration, when it was made."""

from msgspec import Struct


class Beside(Struct, frozen=True):
    """Names of the CSV files; `digests`: `NAME=SHA-256 ...` for the page's head; `made`: UTC."""

    tables: tuple[str, ...]
    digests: str
    config: str
    made: str
