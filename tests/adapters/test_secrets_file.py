"""Secrets stand in files of their own that only we can read."""

from __future__ import annotations

import os

import pytest

from adapters.errors import SecretUnreadable
from adapters.secrets_file import read_secret, readable_path


@pytest.fixture
def write(tmp_path):
    def make(data, mode=0o600):
        path = tmp_path / "secret"
        path.write_bytes(data)
        path.chmod(mode)
        return str(path)

    return make


@pytest.mark.parametrize("data", [b"leaf", b"leaf\n", b"leaf\r\n"])
def test_final_newline_is_no_part_of_the_secret(write, data):
    assert read_secret(write(data)).get_secret_value() == "leaf"


def test_blanks_are_part_of_the_secret(write):
    assert read_secret(write(b" le af \n")).get_secret_value() == " le af "


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660, 0o620, 0o601])
def test_file_that_others_may_touch_is_refused_with_the_remedy(write, mode):
    path = write(b"leaf", mode)
    with pytest.raises(SecretUnreadable, match=f"mode is {mode:04o}.*chmod 600 {path}"):
        read_secret(path)


@pytest.mark.parametrize("data", [b"", b"\n", b"two\nlines\n", b"\xff\xfe", b"nul\0", b"x" * 5000])
def test_file_that_is_no_single_line_of_text_is_refused(write, data):
    with pytest.raises(SecretUnreadable):
        read_secret(write(data))


def test_refusal_never_shows_the_secret(write):
    with pytest.raises(SecretUnreadable) as caught:
        read_secret(write(b"leaf-secret\nsecond"))
    assert "leaf-secret" not in str(caught.value)


def test_secret_is_not_shown_by_its_repr(write):
    assert "leaf" not in repr(read_secret(write(b"leaf")))


def test_missing_file_folder_and_pipe_are_refused_at_once(tmp_path):
    with pytest.raises(SecretUnreadable, match="No such file"):
        read_secret(str(tmp_path / "none"))
    with pytest.raises(SecretUnreadable, match="not a regular file"):
        read_secret(str(tmp_path))
    os.mkfifo(tmp_path / "pipe", 0o600)
    with pytest.raises(SecretUnreadable, match="not a regular file"):
        read_secret(str(tmp_path / "pipe"))


def test_credential_of_systemd_is_read_whatever_its_mode(tmp_path, monkeypatch):
    (tmp_path / "broker").write_text("leaf\n")
    (tmp_path / "broker").chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert read_secret("credential:broker").get_secret_value() == "leaf"
    assert readable_path("credential:broker") == tmp_path / "broker"
    with pytest.raises(SecretUnreadable, match="not a path"):
        read_secret("credential:../broker")


def test_credential_without_systemd_is_refused_with_the_remedy(monkeypatch):
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(SecretUnreadable, match="LoadCredential=broker"):
        read_secret("credential:broker")


def test_a_file_whose_reading_fails_is_refused_in_words():
    with pytest.raises(SecretUnreadable, match="cannot be read"):
        read_secret("/proc/self/mem")  # opens, is a regular file of mode 0600, and its first byte is no memory of ours
