"""A real mosquitto, a subscriber that keeps what it gets, certificates, and a proxy that spoils the line between."""

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import struct
import subprocess
import threading
import time
from pathlib import Path

import pytest
from paho.mqtt.client import CallbackAPIVersion, Client, MQTTv5
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.journal import JournalReader
from tests.conftest import wait_for
from tests.faults.handover_bench import Bench, journal_of

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Mosquitto:
    """A broker of our own on loopback, with its files in a folder; `options` are lines of its configuration."""

    def __init__(self, folder: Path, *options: str):
        self.folder, self.port, self.running = folder, free_port(), None
        folder.mkdir(parents=True, exist_ok=True)
        self.configure(*options)

    def configure(self, *options: str) -> None:
        says_who = any("password_file" in one or "allow_anonymous" in one for one in options)
        allowed = () if says_who else ("allow_anonymous true",)
        lines = ("user root", f"listener {self.port} 127.0.0.1", "persistence true", f"persistence_location {self.folder}/",
                 "autosave_interval 3600", "max_inflight_messages 0", "max_queued_messages 100000", "queue_qos0_messages true",
                 *allowed, *options)
        (self.folder / "conf").write_text("\n".join(lines) + "\n")

    def passwords(self, **users: str) -> str:
        """A line of the configuration: only these users may come in."""
        path = self.folder / "passwords"
        path.unlink(missing_ok=True)
        path.touch(0o600)
        for user, password in users.items():
            subprocess.run(["mosquitto_passwd", "-b", path, user, password], check=True, capture_output=True)
        return f"password_file {path}"

    def start(self) -> "Mosquitto":
        with open(self.folder / "log", "ab") as log:
            self.running = subprocess.Popen([MOSQUITTO, "-c", self.folder / "conf", "-v"], stdout=log, stderr=log)
        wait_for(self._answers, f"the broker answers; {(self.folder / 'log').read_text()[-500:]}")
        return self

    def _answers(self) -> bool:
        assert self.running.poll() is None, (self.folder / "log").read_text()[-1000:]
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
            return True

    def save(self, name: str) -> None:
        """Have the session of this subscriber on the disk, so that a restart has it."""
        self.running.send_signal(signal.SIGUSR1)
        path = self.folder / "mosquitto.db"
        wait_for(lambda: path.exists() and name.encode() in path.read_bytes(), "the broker has saved its sessions")

    def kill(self) -> None:
        """As a power cut would."""
        self.running.kill()
        self.running.wait()

    def freeze(self) -> None:
        self.running.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self.running.send_signal(signal.SIGCONT)

    def end(self) -> None:
        if self.running is not None and self.running.poll() is None:
            self.kill()


class Subscriber:
    """Keeps every message of a broker, in order; comes again by itself after a loss.

    With a `name` the broker keeps what comes meanwhile (after a kill it does if it was told to `save` before), and
    nothing is acknowledged to it: an acknowledgement that it could not read would take what it has sent from the line.
    """

    def __init__(self, port: int, topic: str = "plant/#", user: str = "", password: str = "", name: str = ""):
        self.messages: list = []
        self.is_there = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, name, protocol=MQTTv5)
        self._client.reconnect_delay_set(0.02, 0.02)
        self._client.on_connect = lambda client, _data, _flags, _reason, _limits: client.subscribe(topic, 0 if name else 1)
        self._client.on_subscribe = lambda *_: self.is_there.set()
        self._client.on_message = lambda _client, _data, message: self.messages.append(message)
        if user:
            self._client.username_pw_set(user, password)
        lasting = Properties(PacketTypes.CONNECT)
        lasting.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, clean_start=not name, properties=lasting if name else None)
        self._client.loop_start()
        assert self.is_there.wait(10), "the subscriber is not let in"

    def ids(self) -> list[str]:
        return [dict(message.properties.UserProperty)["id"] for message in self.messages]

    def seqs(self) -> list[int]:
        return [int(one.rpartition("-")[2]) for one in self.ids()]

    def wait(self, count: int, seconds: float = 20.0) -> list[int]:
        """Until so many different records are there; their seqs as they came."""
        wait_for(lambda: len(set(self.seqs())) >= count, f"{count} records at the subscriber", seconds)
        return self.seqs()

    def end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Scripted:
    """A broker that does what no real one does on request: PUBACKs once nothing more comes, with the codes that it is given.

    `codes`: reason code by seq; `limits`: properties of its CONNACK.  `batches`: the seqs that were under way together.
    `ends`: seq by seq, the reason with which it ends the connection at that one.
    """

    def __init__(self, codes: dict[int, int], limits: bytes = b""):
        self.codes, self._limits, self.batches, self.ends = codes, limits, [], {}
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                wire, _ = self._server.accept()
                with wire, contextlib.suppress(ConnectionError):
                    self._talk(wire)

    def _talk(self, wire: socket.socket) -> None:
        wire.settimeout(0.1)
        rest, held = b"", []
        while True:
            try:
                more = wire.recv(65536)
                if not more:
                    return
                rest += more
            except TimeoutError:
                if any(seq for _, seq in held):
                    self.batches.append([seq for _, seq in held])
                for number, seq in held:
                    wire.sendall(b"\x40\x03" + number + bytes([self.codes.get(seq, 0)]))
                held = []
            while len(packet := _packet(rest)):
                rest = rest[len(packet):]
                if packet[0] >> 4 == 1:
                    wire.sendall(bytes([0x20, 3 + len(self._limits), 0, 0, len(self._limits)]) + self._limits)
                if packet[0] >> 4 == 3 and packet[0] & 6:
                    held.append(_number_and_seq(packet))
                    if (seq := held[-1][1]) in self.ends:
                        wire.sendall(bytes([0xE0, 2, self.ends[seq], 0]))
                        return

    def end(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)
        self._server.close()


def _packet(data: bytes) -> bytes:
    """The first whole packet in these bytes, or none."""
    length, at = 0, 1
    while at < len(data):
        length |= (data[at] & 127) << 7 * (at - 1)
        at += 1
        if data[at - 1] < 128:
            return data[:at + length] if len(data) >= at + length else b""
    return b""


def _number_and_seq(packet: bytes) -> tuple[bytes, int]:
    """Packet identifier, and the seq in a record's JSON (0: it is none)."""
    at = 1
    while packet[at] > 127:
        at += 1
    topic = int.from_bytes(packet[at + 1:at + 3], "big")
    found = re.search(rb'\{"seq":(\d+)', packet)
    return packet[at + 3 + topic:at + 5 + topic], int(found[1]) if found else 0


class Proxy:
    """Stands between a client and a broker on loopback; each switch spoils the line in its own way."""

    def __init__(self, target: int):
        self._target, self._pairs = target, []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.drops_pubacks = False          # the broker has the message, we never hear of it
        self.is_mute = False                # bytes vanish both ways, connections stay: a half-open line
        self.delay_s = 0.0                  # each chunk from the broker comes so much later
        self.poison = b""                   # where these bytes are on their way to the broker, it hears `poisoned` instead
        self.poisoned = self.cut
        self.dropped = self.swallowed = 0   # PUBACKs; bytes on their way to the broker while mute
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._server.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self._target), 5)
                except OSError:
                    near.close()
                    continue
                far.settimeout(None)
                self._pairs.append((near, far))
                threading.Thread(target=self._pump, args=(near, far, False), daemon=True).start()
                threading.Thread(target=self._pump, args=(far, near, True), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, is_from_broker: bool) -> None:
        rest = b""
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if self.is_mute:
                    self.swallowed += 0 if is_from_broker else len(data)
                    continue
                if self.poison and self.poison in data:
                    self.poisoned()
                    break
                if is_from_broker:
                    time.sleep(self.delay_s)
                    data, rest = self._without_pubacks(rest + data)
                sink.sendall(data)
        for one in (source, sink):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _without_pubacks(self, data: bytes) -> tuple[bytes, bytes]:
        """(what goes on, the beginning of a packet that is not all there).  Packets from a broker here are short."""
        passed = bytearray()
        while len(data) >= 2 and data[1] < 128 and len(data) >= 2 + data[1]:
            packet, data = data[:2 + data[1]], data[2 + data[1]:]
            if packet[0] >> 4 == 4 and self.drops_pubacks:
                self.dropped += 1
                continue
            passed += packet
        return bytes(passed), data

    def cut(self) -> None:
        """A reset in the middle of whatever is under way."""
        pairs, self._pairs = self._pairs, []
        for one in (one for pair in pairs for one in pair):
            with contextlib.suppress(OSError):
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)        # wakes whoever reads from it
            one.close()

    def end(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._accepting.join()
        self._server.close()
        self.cut()


class Rig:
    """A broker, an MQTT output `mes` of site `cell-4`, who listens, what is between; all ended at the end."""

    def __init__(self, folder: Path):
        self.folder, self._made = folder, []

    def broker(self, *options: str) -> Mosquitto:
        if MOSQUITTO is None:
            pytest.skip("mosquitto is not installed here")
        self._made.append(broker := Mosquitto(self.folder / f"broker-{len(self._made)}", *options))
        return broker.start()

    def subscriber(self, broker: Mosquitto, topic: str = "plant/#", **words: str) -> Subscriber:
        self._made.append(subscriber := Subscriber(broker.port, topic, **words))
        return subscriber

    def scripted(self, codes: dict[int, int], limits: bytes = b"") -> Scripted:
        self._made.append(scripted := Scripted(codes, limits))
        return scripted

    def proxy(self, broker: Mosquitto) -> Proxy:
        self._made.append(proxy := Proxy(broker.port))
        return proxy

    def bench(self, port: int, rows: list, **settings: object) -> Bench:
        """The output, with these rows in its journal."""
        reader = journal_of(self.folder / f"journal-{len(self._made)}", rows)
        bench = Bench(self.folder / f"place-{len(self._made)}", reader, kind="mqtt")
        bench.settings = {"url": f"mqtt://127.0.0.1:{port}", "timeout": "2 s", **settings}
        self._made.append(_Closing(reader))
        return bench

    def end(self) -> None:
        for one in reversed(self._made):
            one.end()


class _Closing:
    def __init__(self, reader: JournalReader):
        self.end = reader.close


def refused(bench: Bench) -> list[tuple[int, str]]:
    """(seq, why) of the records that the output has set aside."""
    path = bench.state / "outputs" / "mes.refused.jsonl"
    return [(one["seq"], one["why"]) for one in map(json.loads, path.read_text().splitlines())] if path.exists() else []


def certificates(folder: Path, name: str) -> Path:
    """A folder with an authority (ca.crt), a broker (broker.crt for 127.0.0.1) and a client (client.crt), and their keys."""
    folder.mkdir()

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl("req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.crt", "-days", "2", "-subj", f"/CN={name}")
    for one, extension in (("broker", "subjectAltName=IP:127.0.0.1"), ("client", "extendedKeyUsage=clientAuth")):
        (folder / f"{one}.ext").write_text(extension)
        openssl("req", *new_key, "-keyout", f"{one}.key", "-out", f"{one}.csr", "-subj", f"/CN={one}-of-{name}")
        openssl("x509", "-req", "-in", f"{one}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
                "-extfile", f"{one}.ext", "-out", f"{one}.crt")
    return folder
