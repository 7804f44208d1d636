"""A review of sample pictures behind its door, asked as the page asks."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from macrocheck.review.app import Server, build
from macrocheck.review.desk import Desk
from macrocheck.review.folder import KeepFolder
from macrocheck.review.guard import Guard, Keys
from macrocheck.review.keeping import Records
from macrocheck.review.sources import limits_named, sources_of

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO, MARK = SAMPLES / "T6-07-cold-lap-butting.jpg", "ruler:1mm"
PORT = 8765
WINDOW = "window0001"


@dataclass
class Page:
    """What a page does, with the checks every answer must pass."""

    http: httpx2.Client
    keys: Keys
    desk: Desk

    def get(self, path: str) -> Any:
        answer = self.http.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any, *, status: int = 200) -> Any:
        answer = self.http.post(path, json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def photo(self, name: str | None = None) -> dict[str, Any]:
        items = self.get("/api/queue")["items"]
        item = next(i for i in items if name is None or i["name"] == name)
        state: dict[str, Any] = self.get(f"/api/photos/{item['id']}")
        return state

    def edit(self, state: dict[str, Any], edit: dict[str, Any], *, status: int = 200, **more: Any) -> Any:
        body = {"revision": state["revision"], "window": WINDOW, "edit": edit, **more}
        return self.post(f"/api/photos/{state['id']}/edits", body, status=status)


def opened(keep: Path, *names: Path | str, **settings: Any) -> Iterator[Page]:
    """Open a review, as `serve` does, and enter by the printed address."""
    limits = settings.pop("limits", None)
    chosen = None if limits is None else limits_named(limits)
    wish = {**settings, **({} if chosen is None else {"limits": chosen.id})}
    with KeepFolder(keep) as folder:
        sources, records = sources_of([str(n) for n in names], folder)
        desk = Desk(folder, sources, wish=wish, limits=chosen, who="A. Bench")
        keys = Keys()
        app = Guard(build(Server(desk, Records(folder, records), "mm")), keys, PORT)
        desk.begin()
        try:
            with TestClient(app, base_url=f"http://127.0.0.1:{PORT}", raise_server_exceptions=False) as http:
                http.headers["Origin"] = f"http://127.0.0.1:{PORT}"
                assert http.get(f"/?key={keys.entry}").status_code == 200
                yield Page(http, keys, desk)
        finally:
            desk.end()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """One sample with its mark and limits; for tests that leave it usable."""
    given = {"t": "6mm", "a": "4mm"}
    yield from opened(
        tmp_path_factory.mktemp("keep"), PHOTO, marks=[MARK], joint="tee", limits="iso5817-fillet-c", given=given
    )
