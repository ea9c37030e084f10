"""What the service must do when nothing is wrong but what a person does, one case a function: it says what was seen,
AssertionError where that is not as it must be.

Knows: install, start, upgrade, reload, passwords, uninstall.  Each case leaves the service running.
Must not know: how the container is made; what goes wrong by itself (faults).
"""

import re
import time

from bench import Bench
from machine import wait_until
from service import Column

_UNITS = "/usr/local/lib/systemd/system/"
_TAKEN = ("/opt/collector", "/usr/local/bin/collector", _UNITS + "collector.service")
_LEFT = ("/etc/collector/collector.yaml", "/var/lib/collector/status.json")
_ASK_CLOCK = """[Service]
ExecStartPost=/opt/collector/current/bin/python -c \\
  "from collector.clock import SystemClock; print('clock-is-right', SystemClock.is_synchronised())"
"""


def installs(bench: Bench) -> str:
    """Installed as documented, without a network; what systemd says of the units."""
    bench.install()
    run = bench.machine.run
    said = run("systemd-analyze", "verify", _UNITS + "collector.service", _UNITS + "collector@.service")
    assert said == "", said
    told = run("systemd-analyze", "security", "--offline=true", "--threshold=20", _UNITS + "collector.service")
    exposure = re.search(r"service: ([0-9.]+)", told.splitlines()[-1])[1]
    version = run("systemctl", "--version").splitlines()[0]
    if int(version.split()[1]) >= 254:                     # the first that can verify rules
        rules = run("udevadm", "verify", "/usr/local/lib/udev/rules.d/72-collector.rules")
        assert "Success: 1" in rules, rules
    owner = run("id", "-Gn", "collector")
    assert owner == "collector dialout", owner
    return f"{version}; verify says nothing; exposure {exposure}"


def starts(bench: Bench) -> str:
    """Enabled and started: readings come to the share through the whole sandbox."""
    service, share = bench.service, bench.machine.share
    service.configure()
    bench.machine.run("chown", "-R", "collector:collector", "/srv/mes/inbox", "/srv/mes/full")
    service.drop_in("share", (bench.machine.root / "srv/checkout/systemd/share.conf").read_text())
    service.drop_in("clock", _ASK_CLOCK)
    bench.machine.run("systemctl", "enable", "--now", service.unit)
    service.up()
    service.drop_in("clock")
    column = Column(bench.machine.lines["bore"], 0.05)
    wait_until(lambda: len(service.readings()) > 20, "readings on the share")
    assert service.lost(column.stop()) == 0
    clock = next(line for line in service.log().splitlines() if line.startswith("clock-is-right"))
    assert clock.split()[1] in ("True", "False"), f"the clock's state can't be asked within the sandbox: {clock}"
    modes = {oct(path.stat().st_mode & 0o777) for path in (share / "inbox").iterdir()}
    state = oct(bench.machine.inside("/var/lib/collector").stat().st_mode & 0o777)
    assert (modes, state) == ({"0o640"}, "0o750"), (modes, state)
    return f"{service.told('StatusText')}; {service.told('NFileDescriptorStore')} descriptor kept; {clock}"


def upgrades(bench: Bench) -> str:
    """The install run again while readings come in; before that, a version that does not run is refused."""
    service, broken = bench.service, bench.machine.inside("/srv/checkout/collector/cli.py")
    column, whole, pid = Column(bench.machine.lines["bore"], 0.05, 10_001), broken.read_text(), service.pid()
    broken.write_text("nonsense\n")
    assert "nothing was changed" in bench.install(check=False) and service.pid() == pid
    broken.write_text(whole)
    bench.install()
    service.up(other_than=pid)
    versions = len(list(bench.machine.inside("/opt/collector/versions").iterdir()))
    sent = column.stop()
    lost = service.lost(sent)
    assert lost == 0 and versions == 2, (lost, versions)
    return f"one that does not run: refused; a good one: restarted, {lost} of {len(sent)} readings lost"


def reloads(bench: Bench) -> str:
    """A good configuration is taken, a bad one refused, in the same process."""
    service, pid = bench.service, bench.service.told("MainPID")
    service.configure("  second: {kind: csv, folder: /srv/mes/full}\n")
    service.systemctl("reload")
    wait_until(lambda: list((bench.machine.share / "full").glob(".*sentinel")), "the second output has begun")
    service.configure("nonsense: 1\n")
    service.systemctl("reload")
    wait_until(lambda: service.status().get("reload-refused"), "it was refused")
    wait_until(lambda: "refused" in service.told("StatusText"), "the status says so")
    said = service.told("StatusText")
    service.configure()
    service.systemctl("reload")
    wait_until(lambda: not service.status().get("reload-refused"), "it is well again")
    assert service.told("MainPID") == pid and service.told("ActiveState") == "active"
    return f"good: taken; bad: {said!r}; same process"


def refused_at_start(bench: Bench) -> str:
    """A configuration that is not valid: 78, and no restart; then a good one."""
    service = bench.service
    service.configure("nonsense: 1\n")
    bench.machine.run("systemctl", "restart", service.unit, check=False)
    wait_until(lambda: service.told("ActiveState") == "failed", "failed")
    restarts, code = service.told("NRestarts"), service.told("ExecMainStatus")
    time.sleep(2 * 2.0)                                    # twice RestartSec: it must stay so
    assert (service.told("ActiveState"), service.told("NRestarts"), code) == ("failed", restarts, "78")
    fault = next(line for line in service.log(20).splitlines() if "nonsense" in line)
    service.configure()
    service.systemctl("start")
    service.up()
    return f"exit 78, not restarted; log: {fault[:90]}"


def credential(bench: Bench) -> str:
    """A password by LoadCredential=, for a broker that is not there."""
    service, machine = bench.service, bench.machine
    secret = bench.machine.inside("/etc/collector/credentials/broker")
    secret.parent.mkdir(exist_ok=True)
    secret.write_text("sesame\n")
    secret.chmod(0o600)
    service.drop_in("credentials", (machine.root / "srv/checkout/systemd/credentials.conf").read_text())
    service.configure("""
  plant: {kind: mqtt, url: 'mqtt://127.0.0.1:1883', topic: 'plant/{site}', user: cell, password-file: broker}
""")
    service.systemctl("restart")

    def error() -> str:
        return service.asked()["outputs"].get("plant", {}).get("error") or ""

    said = str(wait_until(error, "it says what is wrong"))
    service.drop_in("credentials")
    service.configure()
    service.systemctl("restart")
    service.up()
    assert "nothing listens" in said, said
    return f"read; then: {said}"


def removed(bench: Bench) -> str:
    """The uninstall leaves configuration and state, and an install after it goes on where it was."""
    service, machine = bench.service, bench.machine
    last = service.last_seq()
    bench.install("--remove")
    there = {path for path in (*_TAKEN, *_LEFT) if machine.inside(path).exists()}
    assert there == set(_LEFT), there
    bench.install()
    machine.run("systemctl", "enable", "--now", service.unit)
    machine.lines["bore"].forget()
    service.up()
    service.all_delivered()
    assert service.last_seq() > last
    return "gone, but configuration and state; installed again: goes on behind its last record"
