"""A real rabbitmq-server of the test's own: on loopback, with its own folders, ports, node name and epmd.

It is started as the user who runs the tests, never by the system's service; all that it starts is ended by its pid.
"""

import contextlib
import json
import logging
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pika
import pytest

from collector.journal import Journal
from collector.outputs.cursor import cursor_path
from tests.brokers import certificates
from tests.conftest import wait_for
from tests.faults.handover_bench import row

_SCRIPTS = sorted(Path("/usr/lib/rabbitmq/lib").glob("rabbitmq_server-*/sbin"))
logging.getLogger("pika").setLevel(logging.CRITICAL)        # a broker that is asked whether it is up yet is no error
USER, PASSWORD = "cell-4", "a-secret-of-the-test"



def free_port() -> int:
    """A port that no connection is given by chance while the broker is still starting."""
    while True:
        port = random.randrange(20_000, 32_000)
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port


class Rabbit:
    """One broker: `start`, `kill`, `freeze`, `thaw`, `end`; and what a consumer of it sees."""

    def __init__(self, folder: Path, *config: str):
        """`config`: more lines of rabbitmq.conf."""
        self.folder, self.port = folder, free_port()
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rabbitmq.conf").write_text("\n".join([
            f"listeners.tcp.1 = 127.0.0.1:{self.port}", f"default_user = {USER}", f"default_pass = {PASSWORD}",
            "log.console = false", "log.file.level = warning", *config]) + "\n")
        (folder / "plugins").write_text("[].\n")
        epmd = free_port()
        self._env = {**os.environ, "HOME": str(folder), "ERL_EPMD_ADDRESS": "127.0.0.1", "ERL_EPMD_PORT": str(epmd),
                     "RABBITMQ_NODENAME": f"test{self.port}@localhost", "RABBITMQ_NODE_IP_ADDRESS": "127.0.0.1",
                     "RABBITMQ_NODE_PORT": str(self.port), "RABBITMQ_DIST_PORT": str(free_port()),
                     "RABBITMQ_MNESIA_BASE": str(folder / "mnesia"), "RABBITMQ_LOG_BASE": str(folder / "log"),
                     "RABBITMQ_PID_FILE": str(folder / "pid"), "RABBITMQ_ENABLED_PLUGINS_FILE": str(folder / "plugins"),
                     "RABBITMQ_CONFIG_FILE": str(folder / "rabbitmq.conf"),
                     "RABBITMQ_CONF_ENV_FILE": str(folder / "no-env"),
                     "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "-kernel inet_dist_use_interface {127,0,0,1} +sbwt none"}
        self._epmd = subprocess.Popen(["epmd", "-address", "127.0.0.1", "-port", str(epmd)], env=self._env,
                                      stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._server: subprocess.Popen | None = None

    @property
    def url(self) -> str:
        return f"amqp://127.0.0.1:{self.port}"

    def start(self) -> "Rabbit":
        """Start it, or start it again on what it had stored; returns when it takes connections."""
        with open(self.folder / "out", "ab") as out:
            self._server = subprocess.Popen([_SCRIPTS[-1] / "rabbitmq-server"], env=self._env, cwd=self.folder,
                                            stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True)
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and self._server.poll() is None:
            try:
                self.connect().close()
                return self
            except pika.exceptions.AMQPError:
                time.sleep(0.05)
        raise AssertionError((self.folder / "out").read_text()[-2000:])

    def kill(self) -> None:
        self._signal(signal.SIGKILL)
        self._server.wait()
        self._server = None

    def freeze(self) -> None:
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def end(self) -> None:
        if self._server is not None:
            with contextlib.suppress(ProcessLookupError):           # it did not come up
                self.kill()
        self._epmd.kill()
        self._epmd.wait()

    def control(self, *words: str) -> str:
        """What `rabbitmqctl` says to these words."""
        done = subprocess.run([_SCRIPTS[-1] / "rabbitmqctl", "-q", *words], env=self._env, cwd=self.folder,
                              capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def connect(self) -> pika.BlockingConnection:
        return pika.BlockingConnection(pika.ConnectionParameters(
            "127.0.0.1", self.port, credentials=pika.PlainCredentials(USER, PASSWORD),
            socket_timeout=2, stack_timeout=4))

    def declare(self, exchange: str, queue: str, *keys: str, **arguments: object) -> None:
        """A durable topic exchange and a durable queue, bound by these keys; `arguments`: the queue's, `_` for `-`."""
        with self.connect() as connection:
            channel = connection.channel()
            channel.exchange_declare(exchange, "topic", durable=True)
            given = {key.replace("_", "-"): one for key, one in arguments.items()}
            channel.queue_declare(queue, durable=True, arguments=given)
            for key in keys:
                channel.queue_bind(queue, exchange, key)

    def take(self, queue: str) -> list[tuple[pika.spec.Basic.GetOk, pika.BasicProperties, bytes]]:
        """All that lies in a queue now, in its order; it is taken out."""
        found = []
        with self.connect() as connection:
            channel = connection.channel()
            while (one := channel.basic_get(queue, auto_ack=True))[0] is not None:
                found.append(one)
        return found

    def _signal(self, number: int) -> None:
        os.killpg(self._server.pid, number)


_started: dict[str, Rabbit] = {}


def shared_rabbit(request: pytest.FixtureRequest, folders: pytest.TempPathFactory) -> Rabbit:
    """The one broker of the whole run: it takes seconds to start.  `tls`: its folder of certificates, and `tls_port`.

    It takes messages of 2000 bytes at most.
    """
    if not _SCRIPTS:
        pytest.skip("rabbitmq-server is not installed")
    if not _started:
        tls, tls_port = certificates(folders.mktemp("tls") / "plant", "plant"), free_port()
        _started["one"] = one = Rabbit(
            folders.mktemp("rabbit"), "max_message_size = 2000", f"listeners.ssl.1 = 127.0.0.1:{tls_port}",
            f"ssl_options.cacertfile = {tls}/ca.crt", f"ssl_options.certfile = {tls}/broker.crt",
            f"ssl_options.keyfile = {tls}/broker.key",
            "ssl_options.verify = verify_peer", "ssl_options.fail_if_no_peer_cert = true")
        one.tls, one.tls_port = tls, tls_port
        request.session.addfinalizer(one.end)
        one.start()
    return _started["one"]


class Line:
    """A line to a broker that can be cut, or fall silent: bytes vanish both ways and the connections stay.

    `poison`: bytes at which all is cut, each time; with `is_mortal` nothing listens any more from then on.
    """

    def __init__(self, target: int, port: int = 0, poison: bytes = b"", is_mortal: bool = False):
        self._target, self._sockets, self._threads, self.is_mute = target, [], [], False
        self._poison, self._is_mortal, self.cuts, self.accepted = poison, is_mortal, 0, 0
        self._server = socket.create_server(("127.0.0.1", port))
        self.port = self._server.getsockname()[1]
        self._start(self._accept)

    def _start(self, run: Callable, *given: object) -> None:
        self._threads.append(threading.Thread(target=run, args=given))
        self._threads[-1].start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError), self._server:
            while True:
                near, far = self._server.accept()[0], socket.create_connection(("127.0.0.1", self._target))
                self.accepted += 1
                self._sockets += [near, far]
                self._start(self._pump, near, far)
                self._start(self._pump, far, near)

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        """Each closes the socket that it reads, and has the other end too."""
        with contextlib.suppress(OSError), source:
            while data := source.recv(65536):
                if self._poison and self._poison in data:
                    self._hang_up()
                if not self.is_mute:
                    sink.sendall(data)
        with contextlib.suppress(OSError):
            sink.shutdown(socket.SHUT_RDWR)

    def _hang_up(self) -> None:
        self.cuts += 1
        if self._is_mortal:
            self._server.shutdown(socket.SHUT_RDWR)
            self._threads[0].join()
        self.cut()

    def cut(self) -> None:
        for one in self._sockets:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def end(self) -> None:
        with contextlib.suppress(OSError):              # it has died already
            self._server.shutdown(socket.SHUT_RDWR)
        self._threads[0].join()
        self.cut()
        for one in self._threads:
            one.join()


def seqs(found: list) -> list[int]:
    """The seqs of messages as they were taken, by their ids."""
    return [int(properties.message_id.rpartition("-")[2]) for _, properties, _ in found]


def first_seen(numbers: list[int]) -> list[int]:
    """What a consumer that drops repeats is left with."""
    return list(dict.fromkeys(numbers))


class Sending:
    """The output `mes` of site `cell-4`: a journal, and the output's real process beside it."""

    def __init__(self, folder: Path, rabbit: Rabbit, **settings: object):
        self.state, self.log, self.running = folder / "state", folder / "log", None
        (self.state / "outputs").mkdir(parents=True)
        self.password = folder / "password"
        self.write_password(PASSWORD)
        self.settings = {"url": rabbit.url, "user": USER, "password-file": str(self.password), "exchange": "plant",
                         "routing-key": "{site}.{port}.{kind}", "timeout": "2 s"}
        self.settings |= {key.replace("_", "-"): value for key, value in settings.items()}
        self.journal, self.last = Journal.open(self.state), 0

    def write_password(self, text: str) -> None:
        self.password.touch(0o600)
        self.password.write_text(text + "\n")

    def add(self, count: int, kind: str = "measurement", **fields: object) -> None:
        """So many records more are committed."""
        rows = [row(self.last + each, kind=kind, **fields) for each in range(1, count + 1)]
        self.journal.append(rows)
        self.last += count
        if self.running is not None:
            self.running.stdin.write(b".")
            self.running.stdin.flush()

    def start(self) -> None:
        with open(self.log, "ab") as log:
            self.running = subprocess.Popen([sys.executable, "-m", "collector.service.output_runner"],
                                            stdin=subprocess.PIPE, stderr=log)
        order = {"name": "mes", "kind": "amqp", "site": "cell-4", "state": str(self.state), "settings": self.settings}
        self.running.stdin.write(json.dumps(order).encode() + b"\n")
        self.running.stdin.flush()

    def stop(self) -> int:
        self.running.stdin.close()
        code = self.running.wait(20)
        self.running = None
        return code

    def kill(self) -> None:
        self.running.kill()
        self.running.wait()
        self.running.stdin.close()
        self.running = None

    def end(self) -> None:
        if self.running is not None:
            self.kill()
        self.journal.close()

    def delivered(self) -> int:
        path = cursor_path(self.state, "mes")
        return json.loads(path.read_bytes())["delivered"] if path.exists() else 0

    def wait_delivered(self, count: int | None = None, seconds: float = 60) -> None:
        """Until the cursor is at `count`; without, at the last record."""
        wanted = self.last if count is None else count
        self._wait(lambda: self.delivered() >= wanted, f"{wanted} delivered", seconds)

    def error(self) -> str:
        try:
            return json.loads((self.state / "outputs" / "mes.status.json").read_bytes())["error"]
        except OSError:
            return ""

    def wait_error(self, words: str, seconds: float = 15) -> None:
        """Until it says that it is down, with these words in it."""
        self._wait(lambda: words in self.error(), f"{words!r} said", seconds)

    def _wait(self, look: Callable[[], bool], what: str, seconds: float) -> None:
        try:
            wait_for(look, what, seconds)
        except AssertionError as error:
            state = f"{self.delivered()} delivered, {self.error()!r}; {self.log.read_text()[-1500:]}"
            raise AssertionError(f"{error}; {state}") from None
