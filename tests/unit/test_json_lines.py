"""JSON lines: the journal's bytes, one record a line."""

import pytest

from collector.errors import RecordRefused
from collector.outputs.json_lines import JsonLines
from tests.faults.handover_bench import row


def test_a_line_is_the_journals_body_and_a_line_feed():
    rows = (row(1), row(2, lot="Größe"))
    assert JsonLines("mes").lines(rows) == rows[0].body + b"\n" + rows[1].body + b"\n"
    assert JsonLines("mes").header() == b""


@pytest.mark.parametrize("body", [b'{"seq":\n2}', b""])
def test_a_body_that_is_not_one_line_is_refused(body):
    with pytest.raises(RecordRefused, match="record 2") as refused:
        JsonLines("mes").lines((row(1), row(2)._replace(body=body)))
    assert refused.value.seq == 2
