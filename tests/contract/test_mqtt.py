"""What an MQTT output promises, against a real broker."""

import importlib
import json
import subprocess
import sys
import time

import pytest

from collector.config.plan import read_plan
from collector.errors import ConfigError, OutputDown
from collector.files import Files
from collector.journal import Row
from collector.outputs import OUTPUTS, Batch
from tests.brokers import Rig, refused
from tests.faults.handover_bench import row


@pytest.fixture
def rig(tmp_path):
    rig = Rig(tmp_path)
    yield rig
    rig.end()


def test_records_arrive_in_order_each_with_its_id_its_content_type_and_its_own_bytes(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(seq, channel="A1", lot=f"L/{seq}") for seq in range(1, 251)], topic="plant/{site}/{port}/{lot}/{kind}")
    for _ in range(3):
        bench.run_once()
    assert subscriber.wait(250) == list(range(1, 251))
    assert (bench.cursor.delivered, bench.error()) == (250, "")
    rows = bench.reader.rows(0)
    for message, one in zip(subscriber.messages, rows):
        assert message.payload == one.body
        assert message.topic == f"plant/cell-4/bore-column/L%2F{one.seq}/measurement"
        assert message.properties.ContentType == "application/json" and message.qos == 1
        assert dict(message.properties.UserProperty) == {"id": f"cell-4-TEST0001-{one.seq}"}
        assert not hasattr(message.properties, "MessageExpiryInterval")


def test_a_cloud_event_says_so_in_its_content_type(rig):
    # MQTT binding, 5.0 structured: Content Type application/cloudevents+json; charset=utf-8
    # source: cloudevents/spec, bindings/mqtt-protocol-binding.md, 1.0.2 (verified)
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(1)], envelope="cloudevents")
    bench.run_once()
    subscriber.wait(1)
    message, = subscriber.messages
    assert message.properties.ContentType == "application/cloudevents+json; charset=utf-8"
    assert b'"data":' + bench.reader.rows(0)[0].body in message.payload


def test_only_the_kinds_asked_for_are_sent(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    rows = [row(seq, kind="event" if seq % 3 == 0 else "measurement") for seq in range(1, 11)]
    bench = rig.bench(broker.port, rows, kinds=["event"])
    bench.run_once()
    assert (subscriber.wait(3), bench.cursor.delivered) == ([3, 6, 9], 10)


def test_a_record_that_is_none_is_set_aside_and_stepped_past(rig):
    broker = rig.broker()
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(1), Row(2, row(2).at_us, "event", "", "", "", b"{\n"), row(3)])
    bench.run_once()
    assert subscriber.wait(2) == [1, 3]
    assert [seq for seq, _ in refused(bench)] == [2] and bench.cursor.delivered == 3


def test_a_record_larger_than_the_broker_says_it_takes_is_set_aside_and_never_sent(rig):
    broker = rig.broker("max_packet_size 600")
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(1), row(2, raw="x" * 700), row(3)])
    bench.run_once()
    assert subscriber.wait(2) == [1, 3]
    (seq, why), = refused(bench)
    assert seq == 2 and "larger than the broker takes" in why
    assert "too large" not in (broker.folder / "log").read_text()


def test_a_record_that_ends_the_connection_each_time_is_found_and_set_aside(rig):
    # this broker answers with a reason (0x95) that a PUBACK may not have: the library takes it for garbage and hangs up
    broker = rig.broker("message_size_limit 500")
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(seq, raw="x" * 700 if seq in (2, 5) else "") for seq in range(1, 8)])
    bench.run_until_delivered(Files())
    assert set(subscriber.wait(5)) == {1, 3, 4, 6, 7}
    assert refused(bench) == [(seq, "the connection ends each time it is sent, and others are taken") for seq in (2, 5)]
    assert bench.cursor.delivered == 7


def test_a_record_that_ends_the_connection_each_time_is_kept_where_no_other_is_taken(rig):
    broker = rig.broker("message_size_limit 500")
    output = importlib.import_module(OUTPUTS["mqtt"])
    output = output.build("mes", "cell-4", output.Settings(url=f"mqtt://127.0.0.1:{broker.port}"), None, None)
    for _ in range(8):
        output.open()
        with pytest.raises(OutputDown):
            output.write(Batch(1, 1, 1, (row(1, raw="x" * 700),)))
        output.close()


def test_a_packet_of_just_the_size_that_the_broker_takes_goes_through(rig):
    for limit in range(300, 304):
        broker = rig.broker(f"max_packet_size {limit}")
        rows = [row(seq, raw="x" * seq) for seq in range(1, 160)]
        bench = rig.bench(broker.port, rows, topic="p/{site}", window="1000")
        subscriber = rig.subscriber(broker, "p/#")
        bench.run_once()
        taken = bench.cursor.delivered - len(refused(bench))
        assert subscriber.wait(taken) == list(range(1, taken + 1)) and 0 < taken < 159
        packet = 1 + 2 + 2 + len("p/cell-4") + 2 + 1 + (3 + 16) + (1 + 2 + 2 + 2 + len(subscriber.ids()[-1])) + len(rows[taken - 1].body)
        assert packet == limit


def test_at_most_a_window_is_under_way_and_never_more_than_the_broker_allows(rig):
    for limits, most in ((b"", 4), (b"\x21\x00\x03", 3), (b"\x21\x00\x09", 4)):        # 0x21: Receive Maximum
        broker = rig.scripted({}, limits)
        bench = rig.bench(broker.port, [row(seq) for seq in range(1, 9)], window="4")
        bench.run_once()
        assert max(map(len, broker.batches)) == most
        assert [seq for batch in broker.batches for seq in batch] == list(range(1, 9)) and bench.cursor.delivered == 8


@pytest.mark.parametrize(("code", "says"), [(0x90, "its topic is not accepted"), (0x99, "its content is not what the broker takes")])
def test_a_record_that_the_broker_will_never_take_is_set_aside(rig, code, says):
    broker = rig.scripted({2: code})
    bench = rig.bench(broker.port, [row(1), row(2), row(3)])
    bench.run_once()
    assert refused(bench) == [(2, f"the broker refuses it: {says} (plant/cell-4/bore-column/-/measurement)")]
    assert (bench.cursor.delivered, broker.batches) == (3, [[1, 2, 3]])


@pytest.mark.parametrize(("code", "says"), [(0x97, "a quota is used up"), (0x80, "0x80"), (0x83, "0x83")])
def test_a_record_that_the_broker_does_not_take_now_waits_and_nothing_more_goes_ahead_of_it(rig, code, says):
    broker = rig.scripted({1: code}, b"\x21\x00\x03")
    bench = rig.bench(broker.port, [row(seq) for seq in range(1, 11)], window="10")
    bench.run_once()
    assert f"is not taken: {says}" in bench.error() and refused(bench) == [] and bench.cursor.delivered == 0
    assert broker.batches == [[1, 2, 3]]
    broker.codes.clear()
    bench.run_once()
    assert (bench.cursor.delivered, bench.error()) == (10, "")


# --- who comes in, what is allowed


def test_a_wrong_password_is_told_and_the_right_one_taken_without_a_restart(rig, tmp_path):
    broker = rig.broker()
    broker.end()
    broker.configure(broker.passwords(mes="right", reader="reads"))
    broker.start()
    subscriber = rig.subscriber(broker, user="reader", password="reads")
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    secret.chmod(0o600)
    bench = rig.bench(broker.port, [row(1), row(2)], user="mes", **{"password-file": str(secret)})
    bench.run_once()
    assert "does not let user mes in: not authorised" in bench.error() and "wrong" not in bench.error()
    assert bench.cursor.delivered == 0
    secret.write_text("right\n")
    bench.run_once()
    assert (subscriber.wait(2), bench.error()) == ([1, 2], "")


def acl(tmp_path, *lines):
    path = tmp_path / "acl"
    path.write_text("\n".join(lines) + "\n")
    path.chmod(0o600)
    return f"acl_file {path}"


def test_where_some_topics_are_denied_their_records_are_set_aside_and_the_others_go(rig, tmp_path):
    broker = rig.broker(acl(tmp_path, "topic read #", "topic write collector/#", "topic write plant/cell-4/good/#"))
    subscriber = rig.subscriber(broker)
    rows = [row(seq, lot="bad" if seq == 2 else "good") for seq in range(1, 5)]
    bench = rig.bench(broker.port, rows, topic="plant/{site}/{lot}/x")
    bench.run_once()
    assert subscriber.wait(3) == [1, 3, 4]
    assert refused(bench) == [(2, "the broker denies the topic plant/cell-4/bad/x, not others")]
    assert bench.cursor.delivered == 4


def test_where_every_topic_is_denied_nothing_is_set_aside_and_the_right_is_waited_for(rig, tmp_path):
    deny = acl(tmp_path, "topic read #", "topic write collector/#")
    broker = rig.broker(deny)
    bench = rig.bench(broker.port, [row(1), row(2)])
    bench.run_once()
    assert "the topic plant/cell-4/bore-column/-/measurement is denied" in bench.error()
    assert refused(bench) == [] and bench.cursor.delivered == 0
    broker.end()
    acl(tmp_path, "topic readwrite #")
    broker.start()
    subscriber = rig.subscriber(broker)
    bench.run_once()
    assert (subscriber.wait(2), bench.error()) == ([1, 2], "")


def test_records_go_even_where_the_state_topic_is_denied(rig, tmp_path):
    broker = rig.broker(acl(tmp_path, "topic read #", "topic write plant/#"))
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(1)])
    bench.run_once()
    assert (subscriber.wait(1), bench.error()) == ([1], "")


def test_what_nobody_subscribes_to_is_delivered_or_held_as_configured(rig):
    broker = rig.broker()
    bench = rig.bench(broker.port, [row(1), row(2)], **{"without-subscriber": "hold"})
    bench.run_once()
    assert "has no subscriber" in bench.error() and bench.cursor.delivered == 0
    bench.settings["without-subscriber"] = "warn"
    bench.run_once()
    assert (bench.cursor.delivered, bench.error()) == (2, "")


# --- birth and last will


def states(subscriber):
    return [json.loads(message.payload)["state"] for message in subscriber.messages]


def test_the_state_topic_keeps_online_and_offline_after_a_clean_stop(rig, until):
    broker = rig.broker()
    watcher = rig.subscriber(broker, "collector/#")
    bench = rig.bench(broker.port, [row(1)])
    bench.run_once()
    until(lambda: len(watcher.messages) == 2, "two states")
    assert states(watcher) == ["online", "offline"] and watcher.messages[0].topic == "collector/cell-4/mes/state"
    first, last = (json.loads(message.payload) for message in watcher.messages)
    assert first | {"state": ""} == last | {"state": ""}
    assert first.keys() == {"state", "site", "output", "instance", "boot"} and first["site"] == "cell-4"
    late = rig.subscriber(broker, "collector/#")
    until(lambda: late.messages, "the state that was kept")
    assert states(late) == ["offline"] and late.messages[0].retain
    assert "Will message" not in (broker.folder / "log").read_text().partition("disconnected")[2]


def test_the_last_will_says_offline_where_the_process_is_killed(rig, until):
    broker = rig.broker()
    watcher = rig.subscriber(broker, "collector/#")
    program = f"""
import os, signal
from collector.outputs import mqtt
mqtt.build("mes", "cell-4", mqtt.Settings(url="mqtt://127.0.0.1:{broker.port}"), None, None).open()
os.kill(os.getpid(), signal.SIGKILL)
"""
    subprocess.run([sys.executable, "-c", program], check=False, timeout=20)
    until(lambda: len(watcher.messages) == 2, "two states")
    assert states(watcher) == ["online", "offline"]


def test_an_idle_connection_is_kept_alive(rig, monkeypatch):
    broker = rig.broker()
    mqtt = importlib.import_module(OUTPUTS["mqtt"])
    monkeypatch.setattr(mqtt, "_KEEPALIVE_S", 1)
    output = mqtt.build("mes", "cell-4", mqtt.Settings(url=f"mqtt://127.0.0.1:{broker.port}"), None, None)
    output.open()
    deadline = time.monotonic() + 10
    while (broker.folder / "log").read_text().count("PINGREQ from cell-4-mes") < 3 and time.monotonic() < deadline:
        time.sleep(0.05)
    log = (broker.folder / "log").read_text()
    assert log.count("PINGREQ from cell-4-mes") >= 3 and "timeout" not in log
    output.close()


# --- settings


CELL = """
site: cell-4
ports: {one: {device: ./tty-one, format: line}}
formats: {line: {pattern: '(?P<value>[0-9.]+)', unit: mm}}
outputs: {mes: {kind: mqtt, SETTINGS}}
"""


def check(tmp_path, settings):
    path = tmp_path / "cell.yaml"
    path.write_text(CELL.replace("SETTINGS", settings))
    try:
        return str(read_plan(path).outputs["mes"].settings)
    except ConfigError as error:
        return str(error)


@pytest.mark.parametrize(("settings", "says"), [
    ("url: 'mqtt://broker'", "plant/{site}/{port}/{channel}/{kind}"),
    ("url: 'mqtt://broker', topic: 'plant/{seriel}'", "no placeholder {seriel}; did you mean 'serial'?"),
    ("url: 'mqtt://broker', topic: 'plant/#'", "'#' can't stand in"), ("url: 'mqtt://broker', state-topic: '$SYS/x'", "begins with $"),
    ("url: 'amqp://broker'", "no way to reach this kind of queue; begin the url with mqtt:// or mqtts://"),
    ("url: 'mqtt://broker', client-id: 'a b'", "can't be a name"), ("url: 'mqtt://a:b@broker'", "write them as user and password-file"),
    ("url: 'mqtt://broker', password: x", "unknown key 'password'"), ("topic: a", "required key 'url' is missing")])
def test_what_can_be_configured(tmp_path, settings, says):
    assert says in check(tmp_path, settings)


def test_settings_come_out_the_same_when_they_are_handed_to_the_process(tmp_path):
    settings = importlib.import_module(OUTPUTS["mqtt"]).Settings
    one = settings.model_validate({"url": "mqtts://broker", "timeout": "3 s", "window": "7", "kinds": ["event"], "client-id": "x-y"})
    sent = json.loads(json.dumps(one.model_dump(mode="json", by_alias=True, exclude_unset=True)))
    assert settings.model_validate(sent) == one


def test_without_the_library_the_module_imports_and_the_configuration_says_what_to_install(tmp_path):
    (tmp_path / "cell.yaml").write_text(CELL.replace("SETTINGS", "url: 'mqtt://broker'"))
    program = f"""
import sys
sys.modules["paho"] = sys.modules["paho.mqtt"] = sys.modules["paho.mqtt.client"] = None
from pathlib import Path
import collector.outputs.mqtt
from collector.config.plan import read_plan
try:
    read_plan(Path({str(tmp_path / "cell.yaml")!r}))
except Exception as error:
    print(error)
"""
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=20).stdout
    assert said.rstrip().endswith(": output kind mqtt needs the extra: pip install 'column-collector[mqtt]'")
