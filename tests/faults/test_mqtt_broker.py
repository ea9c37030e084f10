"""Brokers and lines that die, freeze, lie and come back, under an MQTT output."""

import json
import socket
import threading
import time
from contextlib import closing

import pytest

from collector.errors import OutputDown
from collector.files import Files
from collector.outputs import Batch, mqtt
from tests.brokers import Rig, certificates, free_port, refused
from tests.conftest import SYSTEMD_WAITS_S, wait_for
from tests.faults.handover_bench import row

MANY = 3000


@pytest.fixture
def rig(tmp_path):
    rig = Rig(tmp_path)
    yield rig
    rig.end()


def rows(count):
    return [row(seq, channel="A1") for seq in range(1, count + 1)]


def deliver(bench, meanwhile=lambda: None, seconds=40):
    """One process of the output, until everything is delivered; `meanwhile` runs beside it."""
    last, failed = bench.reader.last(), []
    delivery = bench.build(Files(), stop=False)

    def run():
        try:
            meanwhile()
            wait_for(lambda: bench.cursor.delivered >= last, f"all delivered; {bench.cursor.delivered}, {told(bench)}", seconds)
        except BaseException as error:
            failed.append(error)
        finally:
            bench.signals.stop.set()
            bench.signals.wake.set()

    beside = threading.Thread(target=run)
    beside.start()
    delivery.run()
    beside.join()
    if failed:
        raise failed[0]


def told(bench):
    try:
        return bench.error()
    except FileNotFoundError:
        return ""


def hear(bench, words):
    wait_for(lambda: words in told(bench), f"to be told {words!r}; told {told(bench)!r}")


def until_delivered(bench, seq):
    wait_for(lambda: bench.cursor.delivered >= seq, f"{seq} delivered; {told(bench)}", 30)


def assert_all_there(subscriber, count):
    """Nothing is lost; a repeat has the same id and the same bytes; the first of each came in order."""
    seqs = subscriber.wait(count)
    assert list(dict.fromkeys(seqs)) == list(range(1, count + 1))
    wanted = {f"cell-4-TEST0001-{one.seq}": one.body for one in rows(count)}
    assert all(message.payload == wanted[one] for one, message in zip(subscriber.ids(), subscriber.messages))


# --- dies


@pytest.mark.parametrize("kills", [3, pytest.param(40, marks=pytest.mark.long)])
def test_a_broker_killed_in_mid_stream_costs_nothing(rig, kills):
    broker = rig.broker()
    subscriber = rig.subscriber(broker, name="reader")
    broker.save("reader")
    proxy = rig.proxy(broker)
    count = 1000 * kills
    bench = rig.bench(proxy.port, rows(count), window="50")

    def meanwhile():
        for n in range(1, kills + 1):
            until_delivered(bench, 1000 * n - 777)
            before, proxy.is_mute = proxy.swallowed, True
            wait_for(lambda: proxy.swallowed > before, "something on its way that the broker never gets")
            broker.kill()
            proxy.cut()
            proxy.is_mute = False
            hear(bench, "127.0.0.1")
            broker.start()

    deliver(bench, meanwhile, seconds=60)
    assert_all_there(subscriber, count)
    assert refused(bench) == []


def test_a_broker_killed_again_and_again_while_one_record_waits_refuses_nothing(rig):
    """Each time right behind the record, and each time it is there again before the next try."""
    broker = rig.broker()
    proxy = rig.proxy(broker)
    output = mqtt.build("mes", "cell-4", mqtt.Settings(url=f"mqtt://127.0.0.1:{proxy.port}"), None, None)
    batch = Batch(1, 1, 1, tuple(rows(1)))
    deaths = []

    def die():
        broker.kill()
        proxy.cut()
        deaths.append(1)                                       # only now: a late cut would hit the next connection

    proxy.poison, proxy.poisoned = b'{"seq":1,', die
    for n in range(1, 9):
        output.open()
        with pytest.raises(OutputDown):
            output.write(batch)
        output.close()
        wait_for(lambda: len(deaths) == n, f"the broker killed {n} times")
        broker.start()
    proxy.poison = b""
    output.open()
    output.write(batch)
    output.close()


@pytest.mark.parametrize("cuts", [5, pytest.param(100, marks=pytest.mark.long)])
def test_a_line_cut_in_mid_stream_costs_nothing(rig, cuts):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    proxy = rig.proxy(broker)
    count = 400 * cuts
    bench = rig.bench(proxy.port, rows(count))

    def meanwhile():
        for n in range(1, cuts + 1):
            until_delivered(bench, 400 * n - 350)
            proxy.cut()

    deliver(bench, meanwhile)
    assert_all_there(subscriber, count)
    assert refused(bench) == []


def test_a_broker_that_is_absent_at_the_start_is_waited_for(rig):
    broker = rig.broker()
    broker.end()
    bench = rig.bench(broker.port, rows(10))

    def meanwhile():
        hear(bench, f"nothing listens at 127.0.0.1:{broker.port}")
        broker.start()

    deliver(bench, meanwhile)
    assert bench.error() == ""


def test_a_host_that_is_not_known_is_told_in_words(rig):
    bench = rig.bench(1, rows(1), url="mqtt://broker.invalid")
    bench.run_once()
    assert "the name broker.invalid is not known" in bench.error()


# --- freezes


def test_a_frozen_broker_is_told_and_what_waited_comes_when_it_thaws(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, rows(MANY), timeout="1 s")

    def meanwhile():
        until_delivered(bench, 500)
        broker.freeze()
        hear(bench, "has confirmed nothing for 1 s")
        broker.thaw()

    deliver(bench, meanwhile)
    assert_all_there(subscriber, MANY)


def test_a_half_open_line_is_given_up_after_the_timeout_and_a_new_one_made(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    proxy = rig.proxy(broker)
    bench = rig.bench(proxy.port, rows(MANY), timeout="1 s")

    def meanwhile():
        until_delivered(bench, 500)
        proxy.is_mute = True
        hear(bench, "has confirmed nothing for 1 s")
        proxy.is_mute = False

    deliver(bench, meanwhile)
    assert_all_there(subscriber, MANY)


@pytest.mark.punctual
def test_letting_go_of_a_frozen_broker_takes_a_second_at_most(rig):
    broker = rig.broker()
    output = mqtt.build("mes", "cell-4", mqtt.Settings(url=f"mqtt://127.0.0.1:{broker.port}", timeout="1 s", window="1000"), None, None)
    with closing(output):
        output.open()
        broker.freeze()
        large = tuple(row(seq, raw="x" * 20_000) for seq in range(1, 1001))   # more than fits into the line
        with pytest.raises(OutputDown, match="has confirmed nothing for 1 s"):
            output.write(Batch(1, 1000, 1000, large))
        began = time.monotonic()
        output.close()
    assert time.monotonic() - began < 1.5


# --- lies


def test_without_a_puback_nothing_counts_as_delivered(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    proxy = rig.proxy(broker)
    bench = rig.bench(proxy.port, rows(250), timeout="1 s", window="100")
    delivered = []

    def meanwhile():
        until_delivered(bench, 100)
        proxy.drops_pubacks = True
        hear(bench, "has confirmed nothing for 1 s")
        delivered.append((bench.cursor.delivered, proxy.dropped > 0))
        proxy.drops_pubacks = False

    proxy.drops_pubacks = False
    proxy.delay_s = 0.02
    deliver(bench, meanwhile)
    assert delivered[0][0] < 250 and delivered[0][1]
    assert_all_there(subscriber, 250)


def test_what_was_confirmed_of_a_batch_is_not_sent_again(rig):
    broker = rig.broker("message_size_limit 500")
    subscriber = rig.subscriber(broker)
    output = mqtt.build("mes", "cell-4", mqtt.Settings(url=f"mqtt://127.0.0.1:{broker.port}"), None, None)
    batch = Batch(1, 3, 3, (row(1), row(2, raw="x" * 700), row(3)))
    for _ in range(2):
        output.open()
        with pytest.raises(OutputDown):
            output.write(batch)
        output.close()
    output.open()
    output.write(Batch(1, 3, 3, (row(1), row(3))))
    output.close()
    assert subscriber.wait(2).count(1) == 1


@pytest.mark.parametrize(("answer", "says"), [
    (b"\x20\x02\x00\x01", "it does not speak MQTT 5"),                      # what a broker of 3.1.1 only answers
    (b"\x20\x03\x00\x86\x00", "user or password is wrong"), (b"\x20\x03\x00\x88\x00", "it is not available"),
    (b"\x20\x05\x00\x00\x02\x24\x00", "confirms nothing"),                  # Maximum QoS 0
    (b"\x20\x03\x00\x00\x00\xe0\x02\x8e\x00", "another client has come with the same client id"),
    (b"HTTP/1.1 400 Bad Request\r\n\r\n", "127.0.0.1"), (b"\x20\x7f", "has confirmed nothing for 1 s"), (b"", "127.0.0.1")])
def test_what_else_may_answer_is_told_in_words(rig, answer, says):
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        near, _ = server.accept()
        near.recv(4096)
        near.sendall(answer)
        if answer and not answer.startswith(b"HTTP"):
            near.recv(4096)
        near.close()

    thread = threading.Thread(target=serve)
    thread.start()
    bench = rig.bench(server.getsockname()[1], rows(1), timeout="1 s")
    bench.run_once()
    thread.join(10)
    server.close()
    assert says in bench.error() and bench.cursor.delivered == 0


# --- TLS


@pytest.fixture
def secured(rig, tmp_path):
    """(broker that wants a client's certificate, settings that fit, a stranger's certificates)."""
    ours, theirs = certificates(tmp_path / "ours", "plant-authority"), certificates(tmp_path / "theirs", "a-stranger")
    port = free_port()
    broker = rig.broker("allow_anonymous true", f"listener {port} 127.0.0.1", f"cafile {ours}/ca.crt", f"certfile {ours}/broker.crt",
                        f"keyfile {ours}/broker.key", "require_certificate true", "allow_anonymous true")
    return broker, {"url": f"mqtts://127.0.0.1:{port}", "ca-file": f"{ours}/ca.crt", "certificate-file": f"{ours}/client.crt",
                    "key-file": f"{ours}/client.key"}, theirs


def test_records_go_through_tls_with_a_clients_certificate(rig, secured):
    broker, settings, _ = secured
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, rows(MANY), **settings)
    deliver(bench)
    assert_all_there(subscriber, MANY)


def test_a_broker_whose_authority_is_not_ours_gets_nothing(rig, secured):
    broker, settings, theirs = secured
    subscriber = rig.subscriber(broker)
    for ca in ({"ca-file": f"{theirs}/ca.crt"}, {}):
        wrong = {key: value for key, value in settings.items() if key != "ca-file"} | ca
        bench = rig.bench(broker.port, rows(1), **wrong)
        bench.run_once()
        assert "is not trusted" in bench.error() and "ca-file" in bench.error() and bench.cursor.delivered == 0
    assert subscriber.messages == []


def test_a_broker_of_another_name_gets_nothing(rig, secured):
    broker, settings, _ = secured
    bench = rig.bench(broker.port, rows(1), **{**settings, "url": settings["url"].replace("127.0.0.1", "localhost")})
    bench.run_once()
    assert "is not trusted" in bench.error() and "localhost" in bench.error()


def test_without_our_certificate_or_without_tls_nothing_is_delivered(rig, secured):
    broker, settings, theirs = secured
    for wrong in ({"url": settings["url"], "ca-file": settings["ca-file"]},
                  {**settings, "certificate-file": f"{theirs}/client.crt", "key-file": f"{theirs}/client.key"},
                  {"url": settings["url"].replace("mqtts", "mqtt")}, {**settings, "url": f"mqtts://127.0.0.1:{broker.port}"}):
        bench = rig.bench(broker.port, rows(1), **wrong)
        bench.run_once()
        assert "127.0.0.1" in bench.error() and bench.cursor.delivered == 0


# --- the whole of it


CELL = """
site: cell-4
ports: {{one: {{device: ./tty-one, format: line}}}}
formats: {{line: {{pattern: '^(?P<value>[0-9.]+)$', unit: mm}}}}
parts: {{PH-200: {{bore: {{channel: one, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}}}}}
outputs:
  mes: {{kind: mqtt, url: 'mqtt://127.0.0.1:{port}', topic: 'plant/{{site}}/{{kind}}', kinds: [measurement], timeout: 2 s}}
"""


def test_the_daemon_delivers_over_a_broker_that_was_killed_and_stops_in_time_with_one_that_is_frozen(rig, cell):
    broker = rig.broker()
    subscriber = rig.subscriber(broker, name="reader")
    broker.save("reader")
    cell.configure(CELL.format(port=broker.port))
    column = cell.column("one")
    cell.start()
    cell.open()
    column.send(b"".join(b"12.%04d\r\n" % n for n in range(100)))
    subscriber.wait(100)
    broker.kill()
    column.send(b"".join(b"12.%04d\r\n" % n for n in range(100, 200)))
    said = cell.folder / "state" / "outputs" / "mes.status.json"
    wait_for(lambda: said.exists() and json.loads(said.read_bytes())["error"], "the output says that it is down")
    broker.start()
    subscriber.wait(200)
    values = [json.loads(message.payload)["value"] for message in subscriber.messages]
    assert list(dict.fromkeys(values)) == [float(f"12.{n:04d}") for n in range(200)]
    assert {message.topic for message in subscriber.messages} == {"plant/cell-4/measurement"}
    broker.freeze()
    column.send(b"12.0200\r\n")
    assert cell.stop(seconds=SYSTEMD_WAITS_S) == 0
    broker.thaw()


@pytest.mark.parametrize("cells", [5, pytest.param(200, marks=pytest.mark.long)])
def test_many_cells_into_one_broker_each_in_its_order(rig, cells):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    each = 200
    failed = []

    def run(n):
        try:
            inner = Rig(rig.folder / f"cell-{n}")
            bench = inner.bench(broker.port, rows(each), topic=f"plant/cell-{n}/{{port}}", timeout="60 s", **{"client-id": f"cell-{n}"})
            deliver(bench, seconds=120)
            inner.end()
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=run, args=(n,)) for n in range(cells)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert failed == []
    wait_for(lambda: len(subscriber.messages) >= cells * each, "all records of all cells")
    by_topic: dict[str, list[int]] = {}
    for message, seq in zip(subscriber.messages, subscriber.seqs()):
        by_topic.setdefault(message.topic, []).append(seq)
    assert len(by_topic) == cells
    assert all(seqs == list(range(1, each + 1)) for seqs in by_topic.values())
