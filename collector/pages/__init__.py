"""HTML text: templates filled with data, every text escaped.

Knows: where the templates lie, that nothing in data can become markup.
Must not know: records, the journal, what a page is about.
"""

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


def render(template: str, **data: Any) -> str:
    """The text of `templates/TEMPLATE`.  Raises jinja2.UndefinedError for a name that the data does not have."""
    return _environment().get_template(template).render(**data)


@cache
def _environment() -> Environment:
    return Environment(loader=PackageLoader("collector.pages"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
