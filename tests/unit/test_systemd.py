"""The service files say what they must, the lock holds what pyproject.toml asks for, the examples check."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent.parent
SYSTEMD = TOP / "systemd"
UNITS = ("collector.service", "collector@.service")
EXAMPLES = ("one-column", "several-columns", "terminal-server", "broker", "asked-column")
HIGHEST_EXPOSURE = 2.0

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")


def settings(unit: str) -> dict[str, list[str]]:
    """`Section.Key` -> its values in order."""
    found: dict[str, list[str]] = {}
    for line in (SYSTEMD / unit).read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(f"{section}.{key}", []).append(value)
    return found


def analyze(*words: str) -> subprocess.CompletedProcess:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60)


@needs_systemd
@pytest.mark.parametrize("unit", UNITS)
def test_verify_has_nothing_to_say(unit, tmp_path):
    """It exits 0 on a key that it does not know, so any output counts.  The program itself need not be installed."""
    text = (SYSTEMD / unit).read_text(encoding="utf-8")
    (tmp_path / unit).write_text(text.replace("/opt/collector/current/bin/collector", sys.executable))
    done = analyze("verify", str(tmp_path / unit))
    assert (done.stdout + done.stderr, done.returncode) == ("", 0)


@needs_systemd
@pytest.mark.parametrize("unit", UNITS)
def test_exposure_is_low(unit):
    done = analyze("security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE * 10:.0f}", str(SYSTEMD / unit))
    assert done.returncode == 0, done.stdout[-200:]


def test_template_differs_from_the_one_unit_by_its_name_only():
    one, template = map(settings, UNITS)
    different = {key for key in one if one[key] != template[key]}
    assert different == {"Unit.Description", "Service.ExecStart", "Service.StateDirectory"}
    assert one.keys() == template.keys()


@pytest.mark.parametrize("unit", UNITS)
def test_service_comes_back_for_ever_but_not_with_a_bad_configuration(unit):
    said = settings(unit)
    assert said["Service.Restart"] == ["always"] and said["Unit.StartLimitIntervalSec"] == ["0"]
    assert said["Service.RestartPreventExitStatus"] == ["78"]


@pytest.mark.parametrize("unit", UNITS)
def test_nothing_of_the_sandbox_stands_between_the_service_and_its_lines_brokers_and_shares(unit):
    said = settings(unit)
    for key in ("PrivateNetwork", "PrivateDevices", "ProtectClock", "PrivateUsers", "IPAddressDeny", "ExecStartPre"):
        assert f"Service.{key}" not in said, key
    assert not any(key.endswith("BindsTo") for key in said)
    assert {"AF_UNIX", "AF_INET", "AF_INET6"} <= set(said["Service.RestrictAddressFamilies"][-1].split())
    assert {f"char-{driver} rw" for driver in ("ttyUSB", "ttyACM", "ttyS")} == set(said["Service.DeviceAllow"])


def test_every_file_that_the_install_places_is_here():
    placed = re.findall(r'say "(\S+) (\S+/\S+)"', (SYSTEMD / "install").read_text(encoding="utf-8"))
    assert len(placed) == 5 and all((SYSTEMD / file).is_file() for file, _ in placed)


# --- what is installed

def project() -> dict:
    return tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))


def requirements() -> list[str]:
    told = project()
    extras = told["project"]["optional-dependencies"]
    return [*told["project"]["dependencies"], *extras["mqtt"], *extras["amqp"], *told["build-system"]["requires"]]


def numbers(version: str) -> tuple[int, ...]:
    return tuple(map(int, version.split(".")))


def bounds(requirement: str) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
    found = re.fullmatch(r"([a-z0-9-]+)>=([0-9.]+),<([0-9.]+)", requirement)
    assert found, f"{requirement}: needs a lower and an upper bound"
    return found[1], numbers(found[2]), numbers(found[3])


def locked() -> dict[str, tuple[str, list[str]]]:
    """Package -> its version and the hashes of its files."""
    text = (SYSTEMD / "requirements.lock").read_text(encoding="utf-8").replace("\\\n", "")
    lines = [line.split() for line in text.splitlines() if not line.startswith("#")]
    return {name: (version, hashes) for first, *hashes in lines for name, version in [first.split("==")]}


@pytest.mark.parametrize("requirement", [*requirements(), *project()["project"]["optional-dependencies"]["test"]])
def test_every_dependency_has_a_lower_and_an_upper_bound(requirement):
    _, least, below = bounds(requirement)
    assert least < below


@pytest.mark.parametrize("requirement", requirements())
def test_lock_holds_each_dependency_within_its_bounds(requirement):
    name, least, below = bounds(requirement)
    assert least <= numbers(locked()[name][0]) < below


def test_lock_has_the_hash_of_every_file_and_names_no_place():
    for name, (_, hashes) in locked().items():
        assert hashes and all(re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", one) for one in hashes), name
        assert len(set(hashes)) == len(hashes) in (1, 4), f"{name}: pure, or two Pythons on two machines"
    assert "://" not in (SYSTEMD / "requirements.lock").read_text(encoding="utf-8")


# --- examples of configurations

@pytest.mark.parametrize("name", EXAMPLES)
def test_example_configuration_lacks_nothing_but_its_folders(name):
    example = TOP / "config" / f"{name}.yaml"
    done = subprocess.run([sys.executable, "-m", "collector", "check", str(example)], capture_output=True, text=True,
                          timeout=60, cwd=TOP)
    assert done.returncode in (0, 1), done.stderr
    for line in done.stderr.splitlines():
        assert re.search(r": folder /srv/mes/\S+ does not exist;", line), line


def test_every_configuration_is_in_a_test():
    assert {path.stem for path in (TOP / "config").glob("*.yaml")} == {*EXAMPLES, "demo", "whole"}
