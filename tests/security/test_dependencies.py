"""Only what is locked is installed: exact versions, each with its hashes, and no word about where they come from."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCKS = sorted([ROOT / "requirements.lock", *(ROOT / ".ci").glob("*.lock")])


def requirements(text: str) -> list[str]:
    """Return the logical lines of a lock file."""
    joined = re.sub(r"\\\n\s*", " ", text)
    return [line for line in joined.splitlines() if line.strip() and not line.startswith("#")]


@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.name)
def test_every_requirement_is_one_version_with_hashes(lock: Path) -> None:
    lines = requirements(lock.read_text(encoding="ascii"))
    assert len(lines) >= 10
    form = re.compile(r"[a-z0-9][a-z0-9.-]*==[0-9][0-9a-z.]*( ; [^;]+?)?( +--hash=sha256:[0-9a-f]{64})+ *")
    assert [line[:80] for line in lines if not form.fullmatch(line)] == []


@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.name)
def test_no_lock_names_an_index_a_host_or_a_path(lock: Path) -> None:
    text = lock.read_text(encoding="ascii")
    assert re.findall(r"(?i)https?:|file:|--(?:extra-)?index|--find-links|--trusted-host|@ |^-e|^/", text, re.MULTILINE) == []


def test_pip_is_told_to_demand_the_hashes() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    installs = re.findall(r"^.*(?:pip install|\$\(PIP\)).*$", makefile, re.MULTILINE)
    assert installs
    assert [line for line in installs if "-r " in line and "$(PIP)" not in line and "--require-hashes" not in line] == []
    assert re.search(r"^PIP := .*--require-hashes", makefile, re.MULTILINE)


def test_the_daemon_needs_few_packages_and_no_test_package() -> None:
    names = {line.split("==")[0] for line in requirements((ROOT / "requirements.lock").read_text(encoding="ascii"))}
    needed = (ROOT / "pyproject.toml").read_text(encoding="utf-8").split("[project.optional")[0]
    direct = set(re.findall(r'^    "([A-Za-z0-9-]+)[><=]', needed, re.MULTILINE))
    assert len(direct) <= 9  # two of them draw the picture of a letter, also on a machine without fonts
    assert direct <= names
    assert len(names) <= 20
    assert names & {"pytest", "hypothesis", "aiosmtpd", "pymodbus", "atheris"} == set()


def test_a_line_without_hash_or_with_a_range_would_be_found() -> None:
    form = re.compile(r"[a-z0-9][a-z0-9.-]*==[0-9][0-9a-z.]*( ; [^;]+?)?( +--hash=sha256:[0-9a-f]{64})+ *")
    assert not form.fullmatch("numpy>=2") and not form.fullmatch("numpy==2.0")
