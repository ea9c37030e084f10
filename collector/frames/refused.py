"""The one error of building a parser: a format that can't be used."""

from collector.errors import CollectorError


class FormatRefused(CollectorError):
    """A key of a format is wrong: `key` (dotted, below the format), what is wrong, what would be right."""

    exit_code = 78

    def __init__(self, key: str, what: str, right: str = ""):
        self.key, self.what, self.right = key, what, right
        super().__init__(f"{key}: {what}; {right}" if right else f"{key}: {what}")
