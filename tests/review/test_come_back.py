"""Whatever it was opened by, the page comes back where it was; what is gone meanwhile says so."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from macrocheck.cli.files import write_files
from macrocheck.errors import OutputError
from macrocheck.pipeline import measure_photo
from macrocheck.reading import read_photo
from macrocheck.record.attach import attach, from_file
from macrocheck.review.sources import opened as open_record
from tests.review.conftest import MARK, PHOTO, SAMPLES, Page, opened

GIVEN = {"t": "6mm", "a": "3mm"}
LIMITS = "iso5817-fillet-c"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a photograph, its result with outline, and a record with it."""
    folder = tmp_path_factory.mktemp("bench")
    photo = Path(shutil.copy(PHOTO, folder / "seven.jpg"))
    result = measure_photo(photo, mark=MARK, joint="tee", limits=LIMITS, given=GIVEN)
    write_files(read_photo(photo), result, folder, "seven", unit="mm", keep=None)
    with open_record(str(folder / "bench.db"), make=True) as record:
        attach(record, "K1", [from_file(folder / "seven.result.json", "s1")])
    return folder


@pytest.fixture
def moved(bench: Path, tmp_path: Path) -> Path:
    """A copy of that folder, to lose things from; the result still names the photograph in the first one."""
    return Path(shutil.copytree(bench, tmp_path / "bench"))


def _legs(state: dict[str, Any]) -> tuple[float, ...]:
    return tuple(
        q["value"] for q in state["welds"][0]["quantities"] if q["key"] in {"leg_butting", "leg_nonbutting"}
    )


def _drag(page: Page) -> dict[str, Any]:
    state = page.photo()
    x, y = state["welds"][0]["toe_butting"]
    to = {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [x, y + 25]}
    after: dict[str, Any] = page.edit(state, to)
    return after


@pytest.mark.parametrize("name", ["seven.jpg", "seven.result.json", "bench.db"])
def test_it_comes_back_where_it_was(bench: Path, tmp_path: Path, name: str) -> None:
    settings = {"marks": [MARK], "limits": LIMITS, "given": GIVEN} if name == "seven.jpg" else {}
    for page in opened(tmp_path / "keep", bench / name, **settings):
        found = page.photo()
        assert found["grade"] == "reject"
        assert found["settings"]["given"] == (
            {"t": "6mm", "a": "3mm"} if settings else {"t": "6.0mm", "a": "3.0mm"}
        )
        state = _drag(page)
    for names in ((), (bench / name,)):  # by itself, and named once more
        for page in opened(tmp_path / "keep", *names):
            assert page.get("/api/queue")["last"] == state["id"]
            again = page.photo()
            assert (again["id"], again["name"], again["revision"]) == (state["id"], state["name"], 1)
            assert _legs(again) == _legs(state)
            assert (again["settings"], again["grade"]) == (state["settings"], state["grade"])
            assert again["on_record"] == state["on_record"]


def _refusal(page: Page) -> str:
    (item,) = page.get("/api/queue")["items"]
    assert item["stage"] == "failed"
    answer = page.http.get(f"/api/photos/{item['id']}")
    assert answer.status_code == 422
    assert answer.json()["text"] == item["problem"]
    text: str = item["problem"]
    return text


def test_a_photo_that_moved_is_said_and_what_was_done_comes_back_with_it(moved: Path, tmp_path: Path) -> None:
    photo, elsewhere = moved / "seven.jpg", tmp_path / "elsewhere.jpg"
    for page in opened(tmp_path / "keep", photo, marks=[MARK]):
        state = _drag(page)
        photo.rename(elsewhere)
        assert page.edit(state, {"kind": "undo"})["made_by"] == "found"  # it is in memory still
        page.edit(page.photo(), {"kind": "redo"})
    for page in opened(tmp_path / "keep"):
        assert _refusal(page) == (
            f"seven.jpg is no longer in {moved}; put it back there, or open it from where it is now: what you did "
            "comes back with it."
        )
        elsewhere.rename(photo)
        assert _legs(page.photo()) == _legs(state)  # put back, without a new start
    photo.rename(elsewhere)
    for page in opened(tmp_path / "keep", elsewhere):
        assert _legs(page.photo()) == _legs(state)


def test_a_photo_that_went_while_it_was_open(moved: Path, tmp_path: Path) -> None:
    for page in opened(tmp_path / "keep", moved / "seven.jpg", marks=[MARK]):
        state = page.photo()
        (moved / "seven.jpg").unlink()
        page.desk.case(state["id"]).let_go()  # the room was needed for others
        answer = page.http.get(f"/api/photos/{state['id']}")
        assert "seven.jpg is no longer in" in answer.json()["text"]
        assert "seven.jpg is no longer in" in _refusal(page)


def test_a_sent_picture_whose_copy_is_gone(tmp_path: Path) -> None:
    for page in opened(tmp_path / "keep", marks=[MARK]):
        page.http.post("/api/photos?name=seven.jpg", content=PHOTO.read_bytes())
        _drag(page)
    shutil.rmtree(tmp_path / "keep" / "pictures")
    for page in opened(tmp_path / "keep"):
        assert _refusal(page) == (
            "The kept copy of seven.jpg is gone; add the picture again: what you did comes back with it."
        )
        page.http.post("/api/photos?name=seven.jpg", content=PHOTO.read_bytes())
        assert page.photo()["revision"] == 1


def test_a_result_or_record_whose_photo_moved(moved: Path, tmp_path: Path) -> None:
    import json

    result = moved / "seven.result.json"
    document = json.loads(result.read_text(encoding="utf-8"))
    document["photo"]["path"] = "seven.jpg"  # so that only the copy beside it is found
    result.write_text(json.dumps(document), encoding="utf-8")
    for name in ("seven.result.json", "bench.db"):
        for page in opened(tmp_path / name, moved / name):
            state = _drag(page)
    kept = next((moved / "bench.db.photos").iterdir())
    (moved / "seven.jpg").rename(tmp_path / "aside.jpg")
    kept.rename(tmp_path / "kept.jpg")
    for page in opened(tmp_path / "seven.result.json"):
        assert _refusal(page).startswith(f"seven.jpg is no longer in {moved}")
        (tmp_path / "aside.jpg").rename(moved / "seven.jpg")
        assert _legs(page.photo()) == _legs(state)
    shutil.rmtree(moved / "bench.db.photos")
    (moved / "bench.db").rename(tmp_path / "other.db")
    for page in opened(tmp_path / "bench.db"):
        assert "bench.db" in _refusal(page)
        assert "macrocheck" not in _refusal(page)
        (tmp_path / "other.db").rename(moved / "bench.db")
        # its photograph is no longer beside the record, but where it was measured
        assert _legs(page.photo()) == _legs(state)


def test_a_record_without_one_of_its_photographs_says_which(moved: Path, tmp_path: Path) -> None:
    photo = Path(shutil.copy(SAMPLES / "T6-03-sound.jpg", tmp_path / "three.jpg"))
    result = measure_photo(photo, mark="bar:5mm", joint="tee")
    write_files(read_photo(photo), result, tmp_path, "three", unit="mm", keep=None)
    with open_record(str(moved / "bench.db")) as record:
        attach(record, "K2", [from_file(tmp_path / "three.result.json", "s2")], keep="no")
    photo.unlink()
    shutil.rmtree(moved / "bench.db.photos")
    for page in opened(tmp_path / "keep", moved / "bench.db"):
        problems = {i["name"]: i["problem"] for i in page.get("/api/queue")["items"]}
        assert problems == {
            "K1 s1": None,  # found where it was measured
            "K2 s2": "The photograph of K2 s2 (three.jpg) is neither with the record bench.db nor where it was "
            "measured; put it back there, or open it by itself.",
        }


def test_limits_that_are_not_at_hand_are_named(moved: Path, tmp_path: Path) -> None:
    limits = tmp_path / "shop.toml"
    limits.write_text(
        'name = "shop"\n[[limit]]\nname = "leg"\nquantity = "leg_butting"\nat_least = "3mm"\nsource = "shop"\n',
        encoding="utf-8",
    )
    photo = moved / "seven.jpg"
    result = measure_photo(photo, mark=MARK, joint="tee", limits=limits)
    write_files(read_photo(photo), result, moved, "shop", unit="mm", keep=None)
    said = "It was graded by the limits shop; choose them from their file to have it graded here."
    for page in opened(tmp_path / "keep", moved / "shop.result.json"):
        state = page.photo()
        assert state["grade"] is None
        assert said in state["notes"]
        chosen = page.edit(state, {"kind": "settings", "settings": {"limits": LIMITS, "given": GIVEN}})
        assert said not in chosen["notes"]


def test_with_a_full_disk_photos_can_be_looked_at_and_nothing_is_pretended(
    moved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The list of photos cannot be written, nor a journal begun; afterwards all goes on."""
    from macrocheck.review.folder import KeepFolder
    from macrocheck.review.journal import Journal

    def full(path: Path) -> Any:
        def refuse(*_: object, **__: object) -> None:
            msg = f"{path} cannot be written: the disk is full; nothing was changed."
            raise OutputError(msg)

        return refuse

    keep = tmp_path / "keep"
    said = "The list of photos cannot be written: the disk is full; nothing was changed."
    for page in opened(keep, moved / "seven.jpg", marks=[MARK]):
        state = page.photo()
        with monkeypatch.context() as disk:
            disk.setattr(KeepFolder, "write_desk", full(keep / "desk.json"))
            page.desk.last = None
            assert page.photo()["revision"] == state["revision"]  # it is looked at all the same
            sent = page.http.post("/api/photos?name=3.jpg", content=(SAMPLES / "T6-03-sound.jpg").read_bytes())
            assert (sent.status_code, sent.json()["text"]) == (422, said)
            assert not any(p.is_file() for p in (keep / "pictures").rglob("*"))
            assert page.post("/api/queue", {"drop": [state["id"]]}, status=422)["text"] == said
            assert page.post("/api/queue", {"settings": {"joint": "lap"}}, status=422)["text"] == said
            queue = page.get("/api/queue")
            assert (queue["total"], queue["defaults"]["joint"]) == (1, "auto")
    shutil.rmtree(keep)
    for page in opened(keep):
        with monkeypatch.context() as disk:
            disk.setattr(Journal, "_add", full(keep / "journals" / "x.jsonl"))
            page.http.post("/api/photos?name=7.jpg", content=PHOTO.read_bytes())
            (item,) = page.get("/api/queue")["items"]
            refused = page.http.get(f"/api/photos/{item['id']}")
            assert refused.status_code == 422
            assert refused.json()["text"].endswith("Make room, and open the photo again.")
            assert page.get("/api/queue")["items"][0]["problem"] is None
        assert page.photo()["revision"] == 0


def test_a_record_by_a_databases_address_keeps_the_photograph_inside(bench: Path, tmp_path: Path) -> None:
    """No folder lies beside a database; the page is told nothing of options, and finds the photograph again."""
    where = f"sqlite:///{tmp_path / 'server.db'}"
    with open_record(where, make=True) as record:
        attach(record, "K0", [from_file(bench / "seven.result.json", "s0")], keep="inside")
    photo = Path(shutil.copy(SAMPLES / "T6-03-sound.jpg", tmp_path / "three.jpg"))
    for page in opened(tmp_path / "keep", photo, where, marks=["bar:5mm"], joint="tee"):
        state = page.photo("three.jpg")
        (record_choice,) = page.get("/api/records")
        body = {
            "revision": state["revision"],
            "window": "window0001",
            "record": record_choice["id"],
            "coupon": "K3",
        }
        assert page.post(f"/api/photos/{state['id']}/attach", body)["revisions"] == 2
    photo.unlink()
    for page in opened(tmp_path / "other", where):
        assert _legs(page.photo("K3 three")) == _legs(state)
