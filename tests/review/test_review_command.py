"""`macrocheck review` as a process of its own: it starts, is killed in the middle, and starts where it was."""

import contextlib
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2
import pytest

from tests.cli.conftest import Run
from tests.review.conftest import MARK, PHOTO, WINDOW


@contextmanager
def running(*arguments: object) -> Iterator[tuple[subprocess.Popen[str], httpx2.Client]]:
    """The command in a process of its own, entered by the address that it prints."""
    command = [sys.executable, "-m", "macrocheck", "review", "--no-browser", *(str(a) for a in arguments)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        found = re.search(r"(http://127\.0\.0\.1:\d+)/\?key=\S+", line)
        assert found is not None, line + process.stdout.read()
        with httpx2.Client(base_url=found[1], headers={"Origin": found[1]}, timeout=60) as http:
            assert http.get(found[0]).status_code == 200
            yield process, http
    finally:
        process.kill()
        process.wait(20)
        process.stdout.close()


def photo(http: httpx2.Client) -> dict[str, Any]:
    item = http.get("/api/queue").json()["items"][0]
    state: dict[str, Any] = http.get(f"/api/photos/{item['id']}").json()
    return state


def test_killed_in_the_middle_nothing_that_was_answered_is_lost(tmp_path: Path) -> None:
    keep = ("--keep", tmp_path / "keep")
    with running(PHOTO, "--mark", MARK, "--joint", "tee", "--by", "Kim", *keep) as (process, http):
        state = photo(http)
        for _ in range(3):
            x, y = state["welds"][0]["toe_butting"]
            edit = {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [x, y + 11]}
            body = {"revision": state["revision"], "window": WINDOW, "edit": edit}
            state = http.post(f"/api/photos/{state['id']}/edits", json=body).json()
        process.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        process.wait(20)
    with running(*keep) as (process, http):
        again = photo(http)
        assert [c["text"] for c in again["changes"]] == [c["text"] for c in state["changes"]]
        assert [c["who"] for c in again["changes"]] == ["Kim"] * 3
        assert again["welds"][0]["toe_butting"] == state["welds"][0]["toe_butting"]
        assert again["revision"] == state["revision"] == 3
        if hasattr(signal, "SIGKILL"):  # and ended as it is meant to be
            process.send_signal(signal.SIGINT)
            assert process.wait(20) == 0


def _raw(port: int, path: str, *headers: str) -> bytes:
    """What the server answers to a request that no client has tidied up."""
    lines = (f"GET {path} HTTP/1.1", *headers, "Connection: close", "", "")
    with socket.create_connection(("127.0.0.1", port), timeout=20) as wire:
        wire.sendall("\r\n".join(lines).encode("latin-1"))
        answer = b""
        while data := wire.recv(65536):
            answer += data
    return answer


def test_raw_addresses_links_and_names_get_nothing(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("not for the page", encoding="utf-8")
    keep = tmp_path / "keep"
    with running(PHOTO, "--mark", MARK, "--keep", keep) as (_, http):
        port = http.base_url.port or 0
        host, cookie = (
            f"Host: 127.0.0.1:{port}",
            "Cookie: " + "; ".join(f"{k}={v}" for k, v in http.cookies.items()),
        )
        for folder in ("pictures", "results", "journals", "records"):
            with contextlib.suppress(OSError):  # where a user may make no links
                (keep / folder / "link.db").symlink_to(secret)
        id_ = http.get("/api/queue").json()["items"][0]["id"]
        for path in (
            "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd",
            "//etc/passwd", "/../../../../etc/passwd", "/static/page.js%00.css", f"/static/{secret}", f"/{secret}",
            "/pictures/link.db", "/results/link.db", "/static/link.db",
            f"/api/photos/{id_}/files/..%2f..%2fresults%2flink.db",
            f"/api/photos/{id_}/files/link.db", "/api/photos/..%2fpictures%2flink.db", "/api/photos/link.db/view",
            f"/api/photos/{id_}/tiles/0/0/..%2f..%2flink.db", "http://elsewhere.example/api/options",
        ):  # fmt: skip
            answer = _raw(port, path, host, cookie)
            assert re.match(rb"HTTP/1\.1 (403|404) ", answer), path
            assert b"not for the page" not in answer
            assert b"root:" not in answer
        assert http.get("/api/records").json() == []  # a link to what is no record is none
        for headers in (
            (host,), (host, cookie, "Origin: null"), (host, cookie, "Origin: http://127.0.0.1:1"),
            ("Host: elsewhere.example", cookie), (host, "Host: elsewhere.example", cookie), ("Host:", cookie),
            (cookie,), (host, cookie, "Sec-Fetch-Site: same-site"), (host, f"Cookie: macrocheck-{port}="),
        ):  # fmt: skip
            assert re.match(rb"HTTP/1\.1 (400|403) ", _raw(port, "/api/queue", *headers)), headers
        assert _raw(port, "/api/queue", host, cookie).startswith(b"HTTP/1.1 200 ")


def test_what_cannot_be_opened_is_one_sentence(run: Run, tmp_path: Path) -> None:
    keep = ("--keep", tmp_path / "keep", "--no-browser")
    text = tmp_path / "notes.json"
    text.write_text("{}", encoding="utf-8")
    taken = tmp_path / "file"
    taken.write_text("", encoding="utf-8")
    for arguments, said in (
        ((tmp_path / "none.jpg", *keep), "does not exist"),
        ((tmp_path, *keep), "is a folder"),
        ((text, *keep), "is not a result of macrocheck measure"),
        ((PHOTO, "--mark", "bar", *keep), "needs its length"),
        ((PHOTO, "--limits", "none", *keep), "none"),
        ((PHOTO, "--given", "t=8", *keep), "has no unit"),
        ((PHOTO, "--keep", taken, "--no-browser"), "it is a file"),
    ):
        ran = run("review", *arguments)
        assert ran.status == 2
        assert said in ran.err
        assert ran.err.count("\n") == 1


def test_a_port_that_is_taken_is_said(run: Run, tmp_path: Path) -> None:
    from macrocheck.review.serve import listening

    sock = listening(0)
    port = sock.getsockname()[1]
    ran = run("review", "--no-browser", "--port", port, "--keep", tmp_path / "keep")
    sock.close()
    assert ran.status == 2
    assert f"Port {port}" in ran.err


def test_without_its_extra_the_command_says_how_to_get_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    from importlib import util

    find_spec = util.find_spec
    monkeypatch.setattr(
        util, "find_spec", lambda name, *more: None if name == "uvicorn" else find_spec(name, *more)
    )
    ran = run("review")
    assert ran.status == 2
    assert "pip install 'macrocheck[review]'" in ran.err
