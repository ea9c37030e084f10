"""Refused records: set aside whole, whatever a kill has left."""

import json

from collector.errors import RecordRefused
from collector.files import Files
from collector.outputs.refused import Refused
from tests.faults.handover_bench import row


def test_a_torn_line_is_written_over_and_the_whole_ones_are_known(tmp_path):
    (tmp_path / "outputs").mkdir()
    path = tmp_path / "outputs" / "mes.refused.jsonl"
    Refused(tmp_path, "mes", Files()).add(RecordRefused("mes", 1, "why"), row(1))
    path.write_bytes(path.read_bytes() + b'{"seq":2,"why":"' + b"x" * 1000)
    again = Refused(tmp_path, "mes", Files())
    assert again.seqs == {1}
    again.add(RecordRefused("mes", 2, "no"), row(2)._replace(body=b"\xff"))
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [(line["seq"], line["why"], line["record"]) for line in lines] == [(1, "why", row(1).body.decode()), (2, "no", "\\xff")]
    assert Refused(tmp_path, "mes", Files()).seqs == {1, 2}
