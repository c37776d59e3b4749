"""``padbank serve`` as a person runs it: its address, its port, sharing, and its end."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from padbank.errors import InputError
from padbank.web.server import listening_socket, own_addresses


@contextmanager
def serving(folder, *options) -> Iterator[tuple[subprocess.Popen, str]]:
    command = [sys.executable, "-m", "padbank", "--library", str(folder), "serve", "--no-browser", *options]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        yield running, running.stdout.readline().strip()
    finally:
        running.kill()
        running.communicate()


def fetch(address, **headers):
    with urllib.request.urlopen(urllib.request.Request(address, headers=headers), timeout=10) as answer:
        return answer.status, answer.read().decode()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGINT for one child process")
def test_it_prints_its_address_answers_and_ends_with_ctrl_c(library_folder):
    with serving(library_folder) as (running, address):
        assert address.startswith("http://127.0.0.1:")
        status, page = fetch(f"{address}/clips")
        assert status == 200 and "padbank" in page
        running.send_signal(signal.SIGINT)
        _, said = running.communicate(timeout=15)
        assert running.returncode == 0, said
        assert "Ctrl-C ends it." in said and "Traceback" not in said


def test_two_servers_stand_beside_each_other(library_folder):
    with serving(library_folder) as (_, one), serving(library_folder) as (_, two):
        assert one != two
        assert fetch(f"{one}/clips")[0] == fetch(f"{two}/clips")[0] == 200


def test_a_taken_port_is_a_sentence(library_folder):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match="choose another with --port"):
            listening_socket(port, everywhere=False)
        with serving(library_folder, "--port", str(port)) as (running, address):
            assert address == ""
            _, said = running.communicate(timeout=15)
        assert running.returncode == 1 and "Traceback" not in said


def test_two_that_begin_at_once_do_not_take_the_same_port():
    """Both had bound it before either listened, and the later one fell over."""
    with listening_socket(None, everywhere=False) as one, listening_socket(None, everywhere=False) as two:
        assert one.getsockname() != two.getsockname()


def test_sharing_opens_the_stage_once_and_nothing_else(library_folder):
    """Over the computer's own network address, which counts as another computer."""
    if not own_addresses():
        pytest.skip("this computer is in no network")
    with serving(library_folder, "--share") as (running, address):
        assert running.stderr is not None
        invitation = running.stderr.readline().split()[-1]
        outside = invitation.split("/join/")[0]
        assert outside.startswith("http://") and "127.0.0.1" not in outside
        for path in ("/clips", "/api/clips", "/stage"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                fetch(outside + path)
            assert refused.value.code == 403 and "one-time address" in json.loads(refused.value.read())["error"]
        assert fetch(f"{address}/clips")[0] == 200
        request = urllib.request.Request(invitation, data=b"", headers={"Origin": outside}, method="POST")
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with opener.open(request, timeout=10) as answer:
            assert answer.url == f"{outside}/stage" and "Stage" in answer.read().decode()
        with pytest.raises(urllib.error.HTTPError):
            opener.open(f"{outside}/api/clips", timeout=10)
        with pytest.raises(urllib.error.HTTPError):
            urllib.request.urlopen(request, timeout=10)
