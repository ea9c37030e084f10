"""The output kind `amqp` while its real broker dies, freezes, blocks, is cut off, or is not there."""

import json
import signal
import time
from pathlib import Path

import pytest

from collector.errors import OutputDown
from collector.outputs import Batch, amqp
from tests.brokers import certificates
from tests.faults.handover_bench import row
from tests.rabbit import PASSWORD, USER, Line, Rabbit, Sending, first_seen, free_port, seqs, shared_rabbit


@pytest.fixture(scope="module")
def rabbit(request, tmp_path_factory):
    return shared_rabbit(request, tmp_path_factory)


@pytest.fixture
def sending(tmp_path, rabbit, request):
    """An output to an exchange that is named for the test, with a queue of the same name."""
    one = Sending(tmp_path, rabbit, exchange=request.node.name[:100])
    rabbit.declare(name_of(one), name_of(one), "#")
    yield one
    one.end()


def name_of(sending: Sending) -> str:
    return sending.settings["exchange"]


def assert_nothing_is_lost(rabbit: Rabbit, sending: Sending) -> list[int]:
    """Each record is there, first comers in order, a repeat with the same bytes.  Gives the seqs as they came."""
    found = rabbit.take(name_of(sending))
    assert first_seen(seqs(found)) == list(range(1, sending.last + 1))
    assert len({(properties.message_id, body) for _, properties, body in found}) == sending.last
    return seqs(found)


def test_nothing_is_lost_when_the_broker_is_killed_in_mid_stream(rabbit, sending):
    sending.add(3000)
    sending.start()
    sending.wait_delivered(1000)
    rabbit.kill()
    assert sending.delivered() < 3000
    sending.wait_error("127.0.0.1")
    rabbit.start()
    sending.wait_delivered()
    assert_nothing_is_lost(rabbit, sending)


@pytest.mark.long
def test_nothing_is_lost_when_the_output_is_killed_in_mid_stream(rabbit, sending):
    sending.add(3000)
    for part in (500, 1200, 2000):
        sending.start()
        sending.wait_delivered(part)
        sending.kill()
    assert sending.delivered() < 3000
    sending.start()
    sending.wait_delivered()
    assert_nothing_is_lost(rabbit, sending)


def test_a_frozen_broker_is_given_up_on_and_gets_the_rest_once_it_answers(rabbit, sending):
    sending.settings["timeout"] = "1 s"
    sending.add(3000)
    sending.start()
    sending.wait_delivered(1000)
    try:
        rabbit.freeze()
        assert sending.delivered() < 3000
        sending.wait_error("nothing was confirmed for 1 s")
        sending.wait_error("does not answer")
        began = time.monotonic()
        assert sending.stop() == 0
        assert time.monotonic() - began < 4
    finally:
        rabbit.thaw()
    sending.start()
    sending.wait_delivered()
    assert_nothing_is_lost(rabbit, sending)


@pytest.mark.long
def test_a_broker_that_stays_frozen_costs_no_threads_without_end(rabbit, sending):
    sending.settings["timeout"] = "1 s"
    sending.add(1)
    sending.start()
    sending.wait_delivered()
    sending.add(1)
    try:
        rabbit.freeze()
        sending.wait_error("does not answer", seconds=20)
        most, until = 0, time.monotonic() + 12
        while time.monotonic() < until:
            most = max(most, len(list(Path(f"/proc/{sending.running.pid}/task").iterdir())))
            time.sleep(0.1)
    finally:
        rabbit.thaw()
    sending.wait_delivered()
    assert most <= 8
    assert_nothing_is_lost(rabbit, sending)


MEMORY = "memory", ["set_vm_memory_high_watermark", "absolute", "1000"], ["set_vm_memory_high_watermark", "0.4"]
DISK = "disk", ["set_disk_free_limit", "900000000000000"], ["set_disk_free_limit", "50MB"]


@pytest.mark.parametrize("what, alarm, calm", [MEMORY, pytest.param(*DISK, marks=pytest.mark.long)])
def test_a_broker_short_of_something_says_so_and_gets_the_rest_later(rabbit, sending, what, alarm, calm):
    sending.add(10)
    sending.start()
    sending.wait_delivered()
    try:
        rabbit.control(*alarm)
        sending.add(500)
        sending.wait_error(f"the broker takes nothing now: low on {what}", 30)
        assert sending.delivered() == 10
    finally:
        rabbit.control(*calm)
    sending.wait_delivered()
    assert_nothing_is_lost(rabbit, sending)


def test_a_connection_cut_in_mid_stream_is_made_again(rabbit, sending):
    line = Line(rabbit.port)
    try:
        sending.settings["url"] = f"amqp://127.0.0.1:{line.port}"
        sending.add(2000)
        sending.start()
        for part in (200, 600, 1000):
            sending.wait_delivered(part)
            line.cut()
        assert sending.delivered() < 2000
        sending.wait_delivered()
    finally:
        line.end()
    assert_nothing_is_lost(rabbit, sending)


def test_a_line_that_has_gone_silent_both_ways_is_given_up_on(rabbit, sending):
    line = Line(rabbit.port)
    try:
        sending.settings["url"] = f"amqp://127.0.0.1:{line.port}"
        sending.add(100)
        sending.start()
        sending.wait_delivered()
        line.is_mute = True
        sending.add(100)
        sending.wait_error("nothing was confirmed for 2 s")
        line.is_mute = False
        sending.wait_delivered()
    finally:
        line.end()
    assert_nothing_is_lost(rabbit, sending)


@pytest.mark.long
def test_a_broker_that_went_and_came_while_there_was_nothing_to_deliver_is_no_fault(rabbit, sending):
    sending.add(1)
    sending.start()
    sending.wait_delivered()
    rabbit.kill()
    rabbit.start()
    sending.add(5)
    sending.wait_delivered()
    assert assert_nothing_is_lost(rabbit, sending) == [1, 2, 3, 4, 5, 6]
    assert "output-down" not in sending.log.read_text()


def test_a_broker_that_is_not_there_yet_is_waited_for(rabbit, sending):
    port = free_port()
    sending.settings["url"] = f"amqp://127.0.0.1:{port}"
    sending.add(10)
    sending.start()
    sending.wait_error(f"nothing listens at 127.0.0.1:{port}")
    line = Line(rabbit.port, port)
    try:
        sending.wait_delivered()
    finally:
        line.end()
    assert assert_nothing_is_lost(rabbit, sending) == list(range(1, 11))


def refused(sending: Sending) -> list[tuple[int, str]]:
    path = sending.state / "outputs" / "mes.refused.jsonl"
    return [(one["seq"], one["why"]) for one in map(json.loads, path.read_text().splitlines())] if path.exists() else []


@pytest.mark.parametrize("before, behind", [(0, 0), (3, 3)])
def test_a_record_that_ends_the_connection_each_time_is_set_aside(rabbit, sending, before, behind):
    line = Line(rabbit.port, poison=b"poisonous")
    sending.settings["url"] = f"amqp://127.0.0.1:{line.port}"
    sending.add(before)
    sending.add(1, lot="poisonous")
    sending.add(behind)
    try:
        sending.start()
        sending.wait_delivered()
        assert sending.stop() == 0
    finally:
        line.end()
    assert refused(sending) == [(before + 1, "5 times the connection ended right behind it, and stood again at once")]
    others = [*range(1, before + 1), *range(before + 2, sending.last + 1)]
    assert first_seen(seqs(rabbit.take(name_of(sending)))) == others


def test_a_broker_that_dies_again_and_again_while_one_record_waits_refuses_nothing(rabbit, sending):
    port = free_port()
    settings = amqp.Settings.model_validate(sending.settings | {"url": f"amqp://127.0.0.1:{port}"})
    output, batch = amqp.build("mes", "cell-4", settings, None, None), Batch(1, 1, 1, (row(1, lot="poisonous"),))
    for _ in range(8):
        line = Line(rabbit.port, port, poison=b"poisonous", is_mortal=True)
        output.open()
        with pytest.raises(OutputDown, match="nothing listens"):
            output.write(batch)
        assert line.cuts == 1
        output.close()
        line.end()
    line = Line(rabbit.port, port)
    output.open()
    output.write(batch)
    output.close()
    line.end()
    assert seqs(rabbit.take(name_of(sending))) == [1]


def test_a_connection_that_is_lost_while_there_is_nothing_to_deliver_is_made_again(rabbit, sending, until):
    line = Line(rabbit.port)
    try:
        sending.settings["url"] = f"amqp://127.0.0.1:{line.port}"
        sending.add(1)
        sending.start()
        sending.wait_delivered()
        line.cut()
        until(lambda: line.accepted == 2, "it has come again")
        sending.add(5)
        sending.wait_delivered()
        assert "output-down" not in sending.log.read_text()
        line.cut()
        sending.add(5)                            # before it is made again
        sending.wait_delivered()
        assert sending.stop() == 0
    finally:
        line.end()
    assert_nothing_is_lost(rabbit, sending)


def test_a_key_that_is_denied_alone_waits_and_one_beside_others_is_set_aside(rabbit, sending):
    name = name_of(sending)
    rabbit.control("set_topic_permissions", USER, name, "measurement", ".*")
    try:
        sending.add(1, kind="event")
        sending.start()
        sending.wait_error("refused for user")
        assert (sending.delivered(), refused(sending)) == (0, [])
        assert sending.stop() == 0
        sending.add(3)                            # now it is in one batch with others
        sending.start()
        sending.wait_delivered()
        assert [seq for seq, _ in refused(sending)] == [1]
    finally:
        rabbit.control("clear_topic_permissions", USER)
    assert seqs(rabbit.take(name)) == [2, 3, 4]


def test_tls_with_a_certificate_of_ours(rabbit, sending):
    tls = rabbit.tls
    sending.settings |= {"url": f"amqps://127.0.0.1:{rabbit.tls_port}", "ca-file": f"{tls}/ca.crt",
                         "certificate-file": f"{tls}/client.crt", "key-file": f"{tls}/client.key"}
    sending.add(200)
    sending.start()
    sending.wait_delivered()
    assert assert_nothing_is_lost(rabbit, sending) == list(range(1, 201))


def test_a_broker_of_another_authority_is_not_trusted(tmp_path, rabbit, sending):
    other = certificates(tmp_path / "other", "other")
    sending.settings |= {"url": f"amqps://127.0.0.1:{rabbit.tls_port}", "ca-file": f"{other}/ca.crt"}
    sending.add(1)
    sending.start()
    sending.wait_error("is not trusted")
    assert rabbit.take(name_of(sending)) == []


# --- the whole daemon


def test_the_daemon_hands_over_each_line_of_a_column(rabbit, cell, until):
    rabbit.declare("hall", "of-the-mes", "plant.cell-4.*.measurement")
    column = cell.column("bore")
    password = cell.folder / "password-of-the-cell"
    password.touch(0o600)
    password.write_text(PASSWORD)
    cell.configure(f"""
site: cell-4
ports:
  bore: {{device: {column.link}, format: line}}
formats:
  line: {{pattern: '(?P<value>[+-]?\\d+\\.\\d+)', unit: mm}}
parts:
  housing: {{upper: {{channel: bore, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}}}
outputs:
  mes: {{kind: amqp, url: '{rabbit.url}', user: {USER}, password-file: {password}, exchange: hall,
        routing-key: 'plant.{{site}}.{{port}}.{{kind}}', kinds: [measurement]}}
""")
    cell.start()
    cell.open()
    for number in range(200):
        column.send(b"+12.%04d\r\n" % number)
    found = []
    until(lambda: found.extend(rabbit.take("of-the-mes")) or len(found) >= 200, "200 messages", 20)
    assert cell.stop(signal.SIGTERM) == 0
    values = [body.partition(b'"value":')[2].partition(b",")[0] for _, _, body in found]
    assert values == [b"12.%04d" % number for number in range(200)]
