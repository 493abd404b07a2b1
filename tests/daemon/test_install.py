"""`make install` into a folder: what lies where, that it works from there, and that what is the keeper's stays."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from daemon.config.configuration import load_text
from daemon.setup.handing_over import credentials_of, drop_in_text, write_drop_in

ROOT = Path(__file__).parents[2]
CONFIG = """
[chamber.tank-1]
[probe.air]
kind = "serial-text"
place = "tank-1"
port = "/dev/ttyUSB0"
columns = { air_temperature = 1 }
[broker.home]
host = "localhost"
user = "ant"
password_file = "credential:broker-password"
[outlet.mail]
kind = "mail"
host = "smtp.example.org"
user = "ant"
password_file = "credential:mail-password"
sender = "a@example.org"
to = ["a@example.org"]
"""


def make(target: str, folder: Path) -> str:
    command = ["make", "--no-print-directory", target, f"DESTDIR={folder}", f"PYTHON={sys.executable}"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, umask=0o077)  # as some roots have it
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An installation over an older one, whose own older one is still there."""
    folder = tmp_path_factory.mktemp("machine")
    for name in ("20250101T000000Z", "20250202T000000Z"):
        (folder / "opt/dewlid/releases" / name).mkdir(parents=True)
    (folder / "opt/dewlid/.venv").symlink_to("releases/20250202T000000Z")
    (folder / "etc/dewlid").mkdir(parents=True)
    (folder / "etc/dewlid/dewlid.toml").write_text("# mine\n")
    make("install", folder)
    return folder


def test_the_version_before_stays_and_the_one_before_that_goes(laid_out: Path) -> None:
    releases = sorted(path.name for path in (laid_out / "opt/dewlid/releases").iterdir())
    assert len(releases) == 2
    assert releases[0] == "20250202T000000Z"
    assert str((laid_out / "opt/dewlid/.venv").readlink()) == f"releases/{releases[1]}"


def test_the_installed_program_runs_without_the_source(laid_out: Path, tmp_path: Path) -> None:
    python = laid_out / "opt/dewlid/.venv/bin/python"
    sample = (laid_out / "opt/dewlid/sample_config/one-chamber.toml").read_text(encoding="utf-8")
    password, config = tmp_path / "mail-password", tmp_path / "dewlid.toml"
    password.write_text("as a keeper has written it\n", encoding="utf-8")
    password.chmod(0o600)
    config.write_text(sample.replace("/etc/dewlid/secrets/mail-password", str(password)), encoding="utf-8")
    done = subprocess.run(
        [python, "-m", "daemon.cli", "check", "--offline", config], cwd="/", capture_output=True, text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    packages = subprocess.run(
        [python, "-c", "import daemon.watch.daemon, rules, adapters; print(daemon.__file__)"],
        cwd="/",
        capture_output=True,
        text=True,
    )
    assert packages.stdout.startswith(str(laid_out)), packages.stderr


def test_the_service_s_own_user_can_read_all_of_it_whatever_the_umask_of_root_is(laid_out: Path) -> None:
    new = laid_out / "opt/dewlid/.venv"
    laid = [new.resolve(), *new.resolve().rglob("*"), *(laid_out / "usr").rglob("*"), *(laid_out / "opt/dewlid").glob("*")]
    wanted = {path: 0o055 if path.is_dir() else 0o044 for path in laid if not path.is_symlink()}
    wanted[new / "bin/dewlid"] = 0o055
    assert len(wanted) > 1000
    assert [path for path, bits in wanted.items() if path.stat().st_mode & bits != bits] == []


def test_its_script_names_the_place_where_it_will_be(laid_out: Path) -> None:
    first = (laid_out / "opt/dewlid/.venv/bin/dewlid").read_text().splitlines()[0]
    assert first.startswith("#!/opt/dewlid/releases/")
    assert str((laid_out / "usr/local/bin/dewlid").readlink()) == "/opt/dewlid/.venv/bin/dewlid"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd tools")
def test_systemd_takes_the_unit_as_it_is_laid_out(laid_out: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", f"--root={laid_out}", "/usr/lib/systemd/system/dewlid.service"],
        capture_output=True, text=True,
    )
    # The folder has neither systemd's own targets nor /bin/kill.
    left = [line for line in done.stderr.splitlines() if "sysinit.target" not in line and "/bin/kill" not in line]
    assert left == []


@pytest.mark.skipif(shutil.which("udevadm") is None, reason="this machine has no udev tools")
def test_udev_takes_its_rules(laid_out: Path) -> None:
    rules = laid_out / "usr/lib/udev/rules.d/60-dewlid.rules"
    if subprocess.run(["udevadm", "verify", "--help"], capture_output=True).returncode:
        pytest.skip("this udev cannot verify rules")
    done = subprocess.run(["udevadm", "verify", str(rules)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_manual_and_completion_are_those_of_this_version(laid_out: Path) -> None:
    assert ".SS check" in (laid_out / "usr/local/share/man/man8/dewlid.8").read_text()
    assert "_dewlid()" in (laid_out / "usr/local/share/bash-completion/completions/dewlid").read_text()


def test_removal_leaves_only_what_is_the_keepers(laid_out: Path, tmp_path: Path) -> None:
    copy = tmp_path / "machine"
    shutil.copytree(laid_out, copy, symlinks=True)
    said = make("uninstall", copy)
    assert "Kept, because they are yours: /etc/dewlid" in said
    assert [str(path.relative_to(copy)) for path in sorted(copy.rglob("*")) if path.is_file() or path.is_symlink()] == [
        "etc/dewlid/dewlid.toml"
    ]


def test_whoever_is_not_root_is_told_what_to_type() -> None:
    somebody = 65534 if os.geteuid() == 0 else None  # the kernel's overflow user: nobody
    script = (ROOT / "systemd/install").read_text()
    done = subprocess.run(["bash", "-s"], input=script, capture_output=True, text=True, cwd="/", user=somebody)
    assert (done.returncode, "sudo make install" in done.stdout) == (77, True)


def test_every_package_of_the_source_is_installed() -> None:
    named = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    found = {str(path.parent.relative_to(ROOT)).replace("/", ".") for name in ("rules", "adapters", "daemon")
             for path in (ROOT / name).rglob("__init__.py")}  # fmt: skip
    assert set(named) == found


def test_each_password_is_handed_over_by_systemd_once(tmp_path: Path) -> None:
    configuration = load_text(CONFIG)
    assert credentials_of(configuration) == ["broker-password", "mail-password"]
    path = write_drop_in(configuration, tmp_path)
    assert path == tmp_path / "etc/systemd/system/dewlid.service.d/secrets.conf"
    assert path.read_text() == drop_in_text(["broker-password", "mail-password"])
    assert "LoadCredential=mail-password:/etc/dewlid/secrets/mail-password\n" in path.read_text()
    assert write_drop_in(load_text(CONFIG.replace("credential:", "/etc/")), tmp_path) is None


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd tools")
def test_the_unit_with_the_drop_in_is_as_shut_in_as_before(tmp_path: Path) -> None:
    unit = tmp_path / "dewlid.service"
    unit.write_text((ROOT / "systemd/dewlid.service").read_text() + drop_in_text(["mail-password"]))
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=13", str(unit)], capture_output=True, text=True,
    )
    assert done.returncode == 0, done.stdout[-300:]
