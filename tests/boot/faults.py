"""What goes wrong by itself: kills, stalls, shares, disks, power; one case a function: it says what was seen,
AssertionError where that is not as it must be.

Knows: how each fault is made in the container.  Each case leaves the service running, with everything delivered.
Must not know: how the container is made.
"""

import random
import subprocess
import time

from bench import HANG, WELL, Bench, NotTried
from machine import wait_until
from service import Column, Service


def one_kill(bench: Bench) -> str:
    """kill -9, once."""
    service, column = bench.service, Column(bench.machine.lines["bore"], 0.05, 20_001)
    time.sleep(1.0)
    committed, pid = service.last_seq(), service.kill("KILL")
    took = service.up(other_than=pid)
    sent = column.stop()
    lost = service.lost(sent)
    assert len(service.records()) >= committed
    wait_until(lambda: bench.machine.run("pgrep", "-cu", "collector") == "2", "the daemon, its output, and no other")
    return f"ready again {took:.1f} s after; {lost} of {len(sent)} readings lost, none that was committed, none twice"


def _many_kills(bench: Bench, first: int, stored: bool) -> tuple[int, int]:
    service, line, chance = bench.service, bench.machine.lines["bore"], random.Random(first)
    column = Column(line, 0.05, first)
    for _ in range(bench.kills):
        time.sleep(chance.uniform(0.3, 1.0))
        pid = service.kill("KILL")
        if not stored:
            wait_until(lambda: service.pid() != pid, "it is dead")
            line.forget()
        service.up(other_than=pid)
    sent = column.stop()
    time.sleep(1.0)
    return service.lost(sent), len(sent)


def kills_with_store(bench: Bench) -> str:
    """Many kill -9, the open line kept by the manager meanwhile."""
    lost, sent = _many_kills(bench, 100_001, True)
    assert lost <= bench.kills // 5, f"{lost} of {sent} readings lost"
    return f"{bench.kills} kills: {lost} of {sent} readings lost"


def kills_without_store(bench: Bench) -> str:
    """The same with FileDescriptorStoreMax=0: the negative control."""
    service = bench.service
    service.drop_in("no-store", "[Service]\nFileDescriptorStoreMax=0\n")
    service.systemctl("stop")
    bench.machine.lines["bore"].forget()
    service.systemctl("start")
    service.up()
    assert service.told("NFileDescriptorStore") == "0"
    lost, sent = _many_kills(bench, 200_001, False)
    service.drop_in("no-store")
    service.systemctl("restart")
    bench.machine.lines["bore"].forget()
    service.up()
    assert lost > sent // 4, f"only {lost} of {sent} lost: what does the store do?"
    return f"{bench.kills} kills: {lost} of {sent} readings lost"


def _watched(bench: Bench) -> Service:
    bench.service.drop_in("watchdog", "[Service]\nWatchdogSec=20\n")
    bench.service.systemctl("restart")
    bench.service.up()
    bench.service.drop_in("watchdog")                  # the process that runs has been told
    return bench.service


def stopped_whole(bench: Bench) -> str:
    """Watchdog, here with 20 s: the whole process is stopped."""
    service = _watched(bench)
    column = Column(bench.machine.lines["bore"], 0.2, 300_001)
    time.sleep(1.0)
    pid = service.kill("STOP")
    took = service.up(other_than=pid, seconds=120)
    sent = column.stop()
    lost = service.lost(sent)
    assert "Watchdog timeout" in service.log(60) and lost == 0, f"{lost} lost"
    return f"ready again {took:.0f} s after SIGSTOP; {lost} of {len(sent)} readings lost"


def stalled_worker(bench: Bench) -> str:
    """Watchdog, here with 20 s: one thread alone stands still, in a sync that does not come back for two minutes.

    What was read meanwhile waits in memory and is lost with the process.
    """
    service = _watched(bench)
    column = Column(bench.machine.lines["bore"], 0.2, 400_001)
    pid = service.pid()
    begun = time.monotonic()
    strace = subprocess.Popen(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fdatasync", "-e", "inject=fdatasync:delay_enter=120s",
         "-p", str(bench.machine.host_pid(pid))], stderr=subprocess.DEVNULL)
    wait_until(lambda: service.pid() != pid, lambda: f"the watchdog bites: {service.log(20)}", 150)
    strace.kill()
    strace.wait()
    service.up(other_than=pid, seconds=60)
    took, sent = time.monotonic() - begun, column.stop()
    lost, log = service.lost(sent), service.log(200)
    assert "standing-still" in log and '"thread": "worker"' in log, log[-2000:]
    stacks = "Current thread" in log or "Thread 0x" in log
    assert stacks, log[-2000:]
    return f"ready again {took:.0f} s after; the log names the worker, with stacks; {lost} of {len(sent)} readings lost"


def hung_share(bench: Bench) -> str:
    """A share that hangs so that not even SIGKILL ends who asks: collect, stop, start, kill; then it comes back."""
    service = bench.service
    bench.share(WELL)
    column = Column(bench.machine.lines["bore"], 0.1, 500_001)
    wait_until(lambda: "500001" in service.readings(), "delivered through the share")
    bench.share(HANG)
    before = service.last_seq()
    wait_until(lambda: service.last_seq() > before + 20, "collection goes on")
    stop, start = service.systemctl("stop"), service.systemctl("start")
    service.up()
    pid = service.kill("KILL")
    again = service.up(other_than=pid, seconds=60)
    before = service.last_seq()
    wait_until(lambda: service.last_seq() > before + 20, "collection goes on")
    bench.share(WELL)
    sent = column.stop()
    service.all_delivered(60)
    lost = service.lost(sent)
    bench.end_share()
    return (f"collects; stop {stop:.1f} s, start {start:.1f} s, ready {again:.1f} s after kill -9; once it is back "
            f"each record once, {lost} of {len(sent)} readings lost while stopped")


def share_comes_later(bench: Bench) -> str:
    """The share is not mounted when the service starts, and is mounted while it runs."""
    service, machine = bench.service, bench.machine
    machine.run("mount", "-t", "tmpfs", "-o", "mode=0777", "none", "/srv/mes/inbox")     # empty: no sentinel
    service.systemctl("restart")
    service.up()
    column = Column(machine.lines["bore"], 0.05, 600_001)
    wait_until(lambda: any("sentinel" in need for need in service.asked()["needs"]), "it waits")
    empty = machine.run("find", "/srv/mes/inbox", "-type", "f")
    machine.run("umount", "/srv/mes/inbox")
    lost = service.lost(column.stop(), 40)
    assert (lost, empty) == (0, ""), (lost, empty)
    return f"nothing written into the empty folder; {lost} lost once it was there"


def full_disk(bench: Bench) -> str:
    """`collector@full`: another instance, whose disk fills up and is emptied again."""
    machine, service = bench.machine, Service(bench.machine, "full")
    state = "/var/lib/collector-full"
    machine.run("install", "-d", "-o", "collector", "-g", "collector", "-m", "750", state)
    machine.run("mount", "-t", "tmpfs", "-o", "size=6m,mode=750,uid=collector,gid=collector", "none", state)
    service.configure()
    service.drop_in("share", "[Service]\nReadWritePaths=/srv/mes\n")
    service.systemctl("start")
    service.up()
    pid, column = service.told("MainPID"), Column(machine.lines["seal"], 0.01)
    time.sleep(1.0)
    machine.run("sh", "-c", f"cat /dev/zero > {state}/filling 2>/dev/null; true")
    needs = wait_until(lambda: [need for need in service.asked()["needs"] if "disk" in need], "it asks for room", 60)
    time.sleep(5.0)
    machine.run("rm", f"{state}/filling")
    sent = column.stop()
    lost = service.lost(sent, 60)
    assert service.told("MainPID") == pid and lost == 0, lost
    service.systemctl("stop")
    machine.run("umount", state)
    return f"{needs[0][:60]!r}; same process; {lost} of {len(sent)} readings lost"


def power_cut(bench: Bench) -> str:
    """Init is killed while readings come in; the machine boots again."""
    service, machine, line = bench.service, bench.machine, bench.machine.lines["bore"]
    column = Column(line, 0.05, 700_001)
    time.sleep(2.0)
    committed = service.last_seq()
    machine.cut()
    sent = column.stop()
    line.forget()
    machine.lines["seal"].forget()
    begun = time.monotonic()
    machine.boot()
    service.up(seconds=60)
    took = time.monotonic() - begun
    service.all_delivered()
    assert service.last_seq() > committed
    missing = sorted(sent - set(service.readings()))
    assert missing == sorted(sent)[len(sent) - len(missing):], "a reading before the last one is missing"
    return f"up by itself {took:.1f} s after; what was committed is there, once; the last {len(missing)} were not read"


def clock_step(bench: Bench) -> str:
    """A container has the clock of its host, which is not ours to set."""
    raise NotTried("not possible in a container")
