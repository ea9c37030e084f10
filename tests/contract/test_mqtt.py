"""What an MQTT output promises, against a real broker."""

import importlib
import json
import subprocess
import sys
import threading
import time
from contextlib import closing

import pytest
from paho.mqtt.properties import VariableByteIntegers

from collector.clock import SystemClock
from collector.config.loader import load
from collector.config.machine import folder_faults
from collector.config.plan import build_plan, read_plan
from collector.errors import ConfigError, OutputDown, RecordRefused
from collector.files import Files
from collector.journal import Row
from collector.outputs import OUTPUTS, Batch, mqtt_link
from collector.outputs.health import Health
from collector.outputs.mqtt_packet import _length
from tests.brokers import Rig, certificates, refused
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


def build(port):
    mqtt = importlib.import_module(OUTPUTS["mqtt"])
    return mqtt.build("mes", "cell-4", mqtt.Settings(url=f"mqtt://127.0.0.1:{port}"), None, None)


def test_a_record_that_ends_the_connection_each_time_is_found_and_set_aside(rig):
    # this broker answers with a reason (0x95) that a PUBACK may not have: the library takes it for garbage and hangs up
    broker = rig.broker("message_size_limit 500")
    subscriber = rig.subscriber(broker)
    bench = rig.bench(broker.port, [row(seq, raw="x" * 700 if seq in (2, 5) else "") for seq in range(1, 8)])
    bench.run_until_delivered(Files())
    assert set(subscriber.wait(5)) == {1, 3, 4, 6, 7}
    assert refused(bench) == [(seq, ENDS) for seq in (2, 5)]
    assert bench.cursor.delivered == 7


ENDS = "5 times the connection ended right behind it, and stood again at once"


def test_a_record_that_ends_the_connection_each_time_is_set_aside_where_it_is_alone_too_and_not_before_the_fifth(rig):
    broker = rig.broker("message_size_limit 500")
    output = build(broker.port)
    batch = Batch(1, 1, 1, (row(1, raw="x" * 700),))
    for _ in range(4):
        output.open()
        with pytest.raises(OutputDown):
            output.write(batch)
        output.close()
    output.open()
    with pytest.raises(RecordRefused, match=ENDS):
        output.write(batch)
    output.write(Batch(2, 2, 2, (row(2),)))           # the connection stands, nothing has to come again
    output.close()


def test_a_try_that_fails_otherwise_begins_the_count_anew(rig):
    broker = rig.broker("message_size_limit 500")
    output = build(broker.port)
    batch = Batch(1, 1, 1, (row(1, raw="x" * 700),))
    for _ in range(3):
        for _ in range(4):
            output.open()
            with pytest.raises(OutputDown, match="is gone"):
                output.write(batch)
            output.close()
        broker.kill()
        with pytest.raises(OutputDown, match="nothing listens"):
            output.open()
        broker.start()
    output.close()


@pytest.mark.parametrize(("code", "is_for_the_record"), [(0x8B, False), (0x8E, False), (0x97, False), (0x95, True), (0x82, True)])
def test_a_connection_that_the_broker_ends_for_another_reason_is_held_against_no_record(rig, code, is_for_the_record):
    broker = rig.scripted({})
    broker.ends[1] = code
    output = build(broker.port)
    for n in range(1, 9):
        output.open()
        with pytest.raises(RecordRefused if is_for_the_record and n == 5 else OutputDown):
            output.write(Batch(1, 1, 1, (row(1),)))
        output.close()
        if is_for_the_record and n == 5:
            return
    broker.ends.clear()
    output.open()
    output.write(Batch(1, 1, 1, (row(1),)))
    output.close()


def test_a_record_whose_topic_is_denied_alone_waits_for_as_long_as_it_takes(rig):
    broker = rig.scripted({1: 0x87})
    output = build(broker.port)
    output.open()
    for _ in range(8):
        with pytest.raises(OutputDown, match="is denied; may this user write to it?"):
            output.write(Batch(1, 1, 1, (row(1),)))
    broker.codes.clear()
    output.write(Batch(1, 1, 1, (row(1),)))
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
    monkeypatch.setattr(mqtt_link, "_KEEPALIVE_S", 1)
    output = build(broker.port)
    output.open()
    deadline = time.monotonic() + 30
    while (broker.folder / "log").read_text().count("PINGREQ from cell-4-mes") < 3 and time.monotonic() < deadline:
        time.sleep(0.05)
    log = (broker.folder / "log").read_text()
    assert log.count("PINGREQ from cell-4-mes") >= 3 and "timeout" not in log
    output.close()


def test_a_connection_that_is_lost_while_there_is_nothing_to_send_is_made_again_and_says_online(rig, until):
    broker = rig.broker()
    watcher, subscriber = rig.subscriber(broker, "collector/#"), rig.subscriber(broker)
    proxy = rig.proxy(broker)
    output = build(proxy.port)
    output.open()
    output.write(Batch(1, 1, 1, (row(1),)))
    threads = threading.active_count()
    proxy.cut()
    until(lambda: len(watcher.messages) == 3, "three states")
    assert states(watcher) == ["online", "offline", "online"]
    until(lambda: threading.active_count() <= threads, "no thread more")
    output.write(Batch(2, 2, 2, (row(2),)))
    proxy.cut()
    output.write(Batch(3, 3, 3, (row(3),)))           # before it is made again
    output.close()
    assert subscriber.wait(3) == [1, 2, 3]


def test_a_broker_that_is_away_while_there_is_nothing_to_send_is_tried_again(rig, until, monkeypatch):
    monkeypatch.setattr(mqtt_link, "_AGAIN_S", 0.2)
    monkeypatch.setattr(mqtt_link, "_KEEPALIVE_S", 2)
    broker = rig.broker()
    output = build(broker.port)
    output.open()
    broker.kill()
    until(lambda: "nothing listens" in output._link.end, "it was tried")
    broker.start()
    until(lambda: output._link.end == "", "it stands again")
    output.close()


@pytest.mark.punctual
def test_closing_takes_no_more_than_a_moment_while_the_connection_is_made_again(rig, until, monkeypatch):
    monkeypatch.setattr(mqtt_link, "_KEEPALIVE_S", 10)
    broker = rig.broker()
    proxy = rig.proxy(broker)
    with closing(build(proxy.port)) as output:
        output.open()
        proxy.is_mute = True
        proxy.cut()
        until(lambda: proxy.swallowed, "it has begun to make it again")
        began = time.monotonic()
        with pytest.raises(OutputDown, match="a new one is not there yet"):
            output.write(Batch(1, 1, 1, (row(1),)))
    assert time.monotonic() - began < 3


def test_a_length_is_written_as_the_library_writes_it():
    for number in (0, 1, 127, 128, 16_383, 16_384, 2_097_151, 2_097_152, 268_435_455):
        assert _length(number) == VariableByteIntegers.encode(number)


def test_an_answer_that_does_not_come_is_told_in_words_that_fit_a_broker(tmp_path, until):
    (tmp_path / "outputs").mkdir()
    health = Health(tmp_path, "mes", SystemClock())
    said = tmp_path / "outputs" / "mes.status.json"
    with health.answer_awaited(0.01):
        until(lambda: said.exists() and "does its broker answer" in json.loads(said.read_bytes())["error"], "it is told")


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


def faults_of(tmp_path, **settings):
    """(what `check` finds at the files, with the key that it points at)."""
    lines = "".join(f"    {key}: {value}\n" for key, value in settings.items())
    path = tmp_path / "cell.yaml"
    path.write_text(CELL.partition("outputs:")[0] + f"outputs:\n  mes:\n    kind: mqtt\n{lines}")
    loaded = load(path)
    found = folder_faults(loaded, build_plan(loaded))
    return [(path.read_text().splitlines()[one.line - 1].strip().partition(":")[0], one.what) for one in found]


def test_check_looks_at_the_files_of_a_broker(tmp_path, monkeypatch):
    ours, theirs = certificates(tmp_path / "ours", "plant-authority"), certificates(tmp_path / "theirs", "a-stranger")
    for one in (ours / "client.key", theirs / "client.key"):
        one.chmod(0o600)
    secret = tmp_path / "secret"
    secret.write_text("swordfish\n")
    secret.chmod(0o600)
    good = {"url": "mqtts://broker", "user": "cell-4", "password-file": secret, "ca-file": ours / "ca.crt",
            "certificate-file": ours / "client.crt", "key-file": ours / "client.key"}
    assert faults_of(tmp_path, **good) == []
    for key in ("password-file", "ca-file", "certificate-file", "key-file"):
        assert faults_of(tmp_path, **good | {key: tmp_path / "none"}) == [(key, f"{key} {tmp_path}/none does not exist")]
        assert faults_of(tmp_path, **good | {key: tmp_path}) == [(key, f"{key} {tmp_path} is not a file")]
    (key, what), = faults_of(tmp_path, **good | {"key-file": theirs / "client.key"})
    assert key == "key-file" and what.endswith("the key does not fit the certificate")
    assert [key for key, _ in faults_of(tmp_path, **good | {"ca-file": secret, "certificate-file": secret})] == ["ca-file", "key-file"]
    secret.chmod(0o640)
    (ours / "client.key").chmod(0o604)
    found = faults_of(tmp_path, **good)
    assert [key for key, _ in found] == ["password-file", "key-file"] and all("others" in what for _, what in found)
    assert "swordfish" not in str(found)
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    named = {"url": "mqtt://broker", "user": "cell-4", "password-file": "broker-password"}
    assert faults_of(tmp_path, **named) == []          # only the service can know
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert [key for key, _ in faults_of(tmp_path, **named)] == ["password-file"]


def test_check_ends_with_1_and_says_where(tmp_path):
    (tmp_path / "cell.yaml").write_text(CELL.replace("SETTINGS", "url: 'mqtt://broker', user: a, password-file: /not/there"))
    words = [sys.executable, "-m", "collector", "check", str(tmp_path / "cell.yaml")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    column = CELL.replace("SETTINGS", "url: 'mqtt://broker', user: a, password-file: /not/there").splitlines()[4].index("/not") + 1
    assert done.returncode == 1
    assert f"cell.yaml:5:{column}: password-file /not/there does not exist" in done.stderr


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
    assert said.rstrip().endswith(": output kind mqtt needs the extra: pip install 'CHECKOUT[mqtt]' into the same place")
