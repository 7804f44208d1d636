"""No one else gets in: each way that another could try."""

import json
from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from macrocheck.review import options
from macrocheck.review.folder import KeepFolder, TooLargeError, plain_name
from macrocheck.review.serve import HOST, listening
from tests.review.conftest import PORT, SAMPLES, WINDOW, Page

OWN = f"http://127.0.0.1:{PORT}"
PATHS = ("/", "/static/page.js", "/api/options", "/api/queue", "/api/records")


def stranger(page: Page, **headers: str) -> TestClient:
    """A client without the cookie."""
    http = page.http
    assert isinstance(http, TestClient)
    other = TestClient(http.app, base_url=OWN, raise_server_exceptions=False)
    other.headers.update(headers)
    return other


def refused(answer: httpx2.Response, status: int = 403) -> str:
    """The one sentence of a refusal; nothing else is told."""
    assert answer.status_code == status
    body = answer.json()
    assert set(body) == {"code", "text"}
    text = body["text"]
    assert isinstance(text, str)
    return text


def test_it_listens_on_this_machine_only() -> None:
    sock = listening(0)
    assert sock.getsockname()[0] == HOST == "127.0.0.1"
    sock.close()


@pytest.mark.parametrize("path", PATHS)
def test_without_the_key_nothing_is_told(page: Page, path: str) -> None:
    assert "key" in refused(stranger(page).get(path))
    wrong = stranger(page)
    wrong.cookies.set(f"macrocheck-{PORT}", "x" * 43)
    assert "key" in refused(wrong.get(path))


def test_the_key_is_unguessable_and_a_wrong_one_gives_no_cookie(page: Page) -> None:
    assert len(page.keys.entry) >= 43  # 256 bits in base 64
    assert page.keys.entry != page.keys.session
    other = stranger(page)
    for key in ("", "x", page.keys.entry[:-1], page.keys.session, "\u00e9" * 43):
        answer = other.get("/", params={"key": key})
        refused(answer)
        assert "set-cookie" not in answer.headers


def test_the_cookie_is_for_the_page_alone(page: Page) -> None:
    said = stranger(page).get(f"/?key={page.keys.entry}").headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    assert "domain" not in said


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:80", "", "localhost"]
)
@pytest.mark.parametrize("path", [*PATHS, "/api/photos/x"])
def test_another_name_that_points_here_is_turned_away(page: Page, host: str, path: str) -> None:
    """DNS rebinding: the attacker's page has the address of this server under its own name."""
    assert "another machine" in refused(page.http.get(path, headers={"Host": host}))
    refused(page.http.get(f"/?key={page.keys.entry}", headers={"Host": host}))


@pytest.mark.parametrize("host", [f"localhost:{PORT}", f"LOCALHOST:{PORT}", f"[::1]:{PORT}"])
def test_this_machines_own_names_are_let_in(page: Page, host: str) -> None:
    assert page.http.get("/api/queue", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "origin",
    ["https://evil.example", "null", "http://127.0.0.1:9999", f"https://127.0.0.1:{PORT}", f"{OWN}.evil.example"],
)
def test_another_site_can_neither_read_nor_write(page: Page, origin: str) -> None:
    assert "Another site" in refused(page.http.get("/api/queue", headers={"Origin": origin}))
    state = page.photo()
    body = {"revision": state["revision"], "window": WINDOW, "edit": {"kind": "reset"}}
    path = f"/api/photos/{state['id']}/edits"
    refused(page.http.post(path, json=body, headers={"Origin": origin}))
    # as a form or a plain text post of another site arrives, without a preflight
    text = json.dumps(body)
    refused(page.http.post(path, content=text, headers={"Origin": origin, "Content-Type": "text/plain"}))
    assert page.photo()["revision"] == state["revision"]


def test_a_write_without_an_origin_is_turned_away(page: Page) -> None:
    del page.http.headers["Origin"]
    try:
        assert "from the page itself" in refused(page.http.post("/api/queue", json={}))
    finally:
        page.http.headers["Origin"] = OWN


@pytest.mark.parametrize("site", ["cross-site", "same-site", "none"])
def test_a_picture_or_script_embedded_elsewhere_is_turned_away(page: Page, site: str) -> None:
    state = page.photo()
    headers = {"Sec-Fetch-Site": site}
    for path in (f"/api/photos/{state['id']}/tiles/0/0/0.jpg", "/static/page.js", "/api/queue"):
        refused(page.http.get(path, headers=headers))
    assert page.http.get("/", headers=headers).status_code == 200  # the page itself is opened by hand


@pytest.mark.parametrize("path", [*PATHS, "/nothing"])
def test_every_answer_forbids_what_is_not_the_pages_own(page: Page, path: str) -> None:
    for answer in (page.http.get(path), stranger(page).get(path)):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in answer.headers
    assert "no-store" in page.http.get("/api/queue").headers["cache-control"]


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static/....//app.py",
        "/static/%2fetc%2fpasswd",
        "/static/..%5capp.py",
        "/static/sources.sha256",
        "/api/photos/..%2f..%2fetc%2fpasswd/view",
        "/api/photos/../../etc/passwd",
        "/api/photos/0000000000000000",
        "/api/photos/ID/files/..%2fresult.json",
        "/api/photos/ID/files/journal",
        "/api/photos/ID/tiles/-1/0/0.jpg",
        "/api/photos/ID/tiles/0/9/0.jpg",
        "/api/photos/ID/tiles/99/0/0.jpg",
        "/etc/passwd",
        "//etc/passwd",
    ],
)
def test_no_address_reaches_a_file_that_was_not_opened(page: Page, path: str) -> None:
    answer = page.http.get(path.replace("ID", page.photo()["id"]))
    assert answer.status_code in {403, 404}
    assert set(answer.json()) == {"code", "text"}
    assert "root:" not in answer.text


def test_a_picture_too_large_is_cut_off_and_nothing_stays(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    from macrocheck.review import app

    monkeypatch.setattr(app, "MOST_BYTES", 10_000)
    sent = 0

    def endless() -> Any:
        nonlocal sent
        for _ in range(1000):
            sent += 4096
            yield b"\xff" * 4096

    answer = page.http.post("/api/photos?name=big.jpg", content=endless())
    assert "larger than" in refused(answer, 413)
    assert not list((page.desk.keep.path / "pictures").rglob("*.part"))
    assert not list((page.desk.keep.path / "pictures").rglob("big*"))
    assert sent > 10_000


def test_no_more_of_a_picture_is_written_than_is_taken(tmp_path: Path) -> None:
    with KeepFolder(tmp_path / "keep") as keep:
        with keep.incoming("big.jpg", 10_000) as incoming:
            incoming.take(b"x" * 9_999)
            with pytest.raises(TooLargeError, match="larger than"):
                incoming.take(b"x" * 5_000_000)
            (part,) = (tmp_path / "keep" / "pictures").iterdir()
            assert part.stat().st_size <= 10_000
        assert not list((tmp_path / "keep" / "pictures").iterdir())
    assert options.MOST_BYTES <= 200_000_000


def test_a_picture_of_too_many_pixels_or_none_is_refused_and_nothing_stays(page: Page) -> None:
    bomb = _png_header(60_000, 60_000)
    pictures = page.desk.keep.path / "pictures"
    there = set(pictures.rglob("*.*"))
    before = page.get("/api/queue")["total"]
    for data in (bomb, b"GIF89a", b"", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"%PDF-1.4"):
        text = refused(page.http.post("/api/photos?name=x.png", content=data), 422)
        assert text.endswith(".")
    assert page.get("/api/queue")["total"] == before
    assert set(pictures.rglob("*.*")) == there


def _png_header(width: int, height: int) -> bytes:
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"0")) + chunk(b"IEND", b"")


@pytest.mark.parametrize("path", ["/api/queue", "/api/photos/ID/edits", "/api/photos/ID/claim"])
@pytest.mark.parametrize("body", [b"", b"nonsense", b"[1]", b'"x"', b"\xff\xfe", b"[" * 100_000, b"null"])
def test_what_is_no_json_object_is_refused(page: Page, path: str, body: bytes) -> None:
    refused(page.http.post(path.replace("ID", page.photo()["id"]), content=body), 400)


def test_too_much_json_is_cut_off(page: Page) -> None:
    refused(page.http.post("/api/queue", content=b" " * 3_000_000), 413)
    refused(page.http.post("/api/limits?name=x", content=b"#" * 1_500_000), 413)


NAMES = {
    "../../etc/passwd": "passwd",
    "..\\..\\windows\\x.jpg": "x.jpg",
    "/abs/olute.png": "olute.png",
    "<img src=x onerror=alert(1)>.jpg": "_img src_x onerror_alert_1__.jpg",
    "": "picture",
    "...": "picture",
    ".hidden.jpg": "hidden.jpg",
    "a\0b\nc.jpg": "a_b_c.jpg",
    "Naht \u00e4\u00f6 7.jpg": "Naht \u00e4\u00f6 7.jpg",
    "x" * 300 + ".jpeg": "x" * 95 + ".jpeg",
}


@pytest.mark.parametrize(("name", "plain"), NAMES.items())
def test_a_files_name_is_a_name_and_no_more(name: str, plain: str) -> None:
    assert plain_name(name) == plain


def test_names_and_labels_are_data(page: Page) -> None:
    """Answers are JSON that no browser takes for a page, and a reason comes back as the text it is."""
    evil = "<script>alert(1)</script>"
    state = page.photo()
    body = {"revision": state["revision"], "window": WINDOW, "word": "look_again", "reason": evil, "who": evil}
    answer = page.http.post(f"/api/photos/{state['id']}/decision", json=body)
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["decision"]["reason"] == evil
    page.post(f"/api/photos/{state['id']}/decision", {**body, "word": None})
    limits = f'name = "mine"\ntitle = "{evil}"\n[[limit]]\nname = "x"\nquantity = "leg_butting"\nat_least = "3mm"\n'
    sent = page.http.post("/api/limits", params={"name": evil}, content=limits.encode())
    assert sent.headers["content-type"] == "application/json"
    picture = (SAMPLES / "T6-03-sound.jpg").read_bytes()
    item = page.http.post("/api/photos", params={"name": f"{evil}.jpg"}, content=picture).json()
    assert "<" not in item["name"]
    page.post("/api/queue", {"drop": [item["id"]]})


def test_a_download_is_a_download(page: Page) -> None:
    state = page.photo()
    for kind in ("result.json", "outline.geojson", "overlay.png"):
        answer = page.http.get(f"/api/photos/{state['id']}/files/{kind}")
        assert answer.status_code == 200
        assert answer.headers["content-disposition"] == f'attachment; filename="T6-07-cold-lap-butting.{kind}"'
