"""The page's server end to end: what it says is what the other commands say, and nothing is lost."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from macrocheck.pipeline import measure_photo
from macrocheck.review.folder import KeepFolder
from macrocheck.review.sources import opened as open_record
from tests.review.conftest import MARK, PHOTO, SAMPLES, WINDOW, Page, opened

GIVEN = {"t": "6mm", "a": "4mm"}
LIMITS = "iso5817-fillet-c"
OTHER = "window0002"


@pytest.fixture
def fresh(page: Page) -> Iterator[dict[str, Any]]:
    """The photo as it was found; put back afterwards."""
    state = page.photo()
    yield state
    page.post(f"/api/photos/{state['id']}/release", {"window": OTHER})
    back = page.edit(page.photo(), {"kind": "settings", "settings": state["settings"]})
    page.edit(back, {"kind": "reset"})


def quantities(state: dict[str, Any], weld: int = 0) -> dict[str, dict[str, Any]]:
    return {q["key"]: q for q in state["welds"][weld]["quantities"]}


def feature(state: dict[str, Any], part: str) -> dict[str, Any]:
    found: dict[str, Any] = next(f for f in state["welds"][0]["features"] if f["part"] == part)
    return found


def _verdict(v: dict[str, Any]) -> tuple[str, ...]:
    return v["limit"], v["quantity"], v["word"], v["text"], str(v["guard"])


def test_the_numbers_are_those_of_the_corrected_outline_measured_elsewhere(
    page: Page, fresh: dict[str, Any], tmp_path: Path
) -> None:
    state = fresh
    fusion = feature(state, "fusion")["points"]
    toe = state["welds"][0]["toe_nonbutting"]
    x, y = fusion[len(fusion) // 4]
    root = state["welds"][0]["joint_root"]
    for edit in (
        {"kind": "move_point", "weld": 0, "point": "toe_nonbutting", "to": [toe[0] + 9, toe[1] + 2]},
        {"kind": "pass_through", "at": [x + 2, y + 7]},
        {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [root[0] + 2, root[1] + 1]},
        {"kind": "add_void", "weld": 0, "centre": [root[0] + 60, root[1] - 60], "radius_px": 9},
    ):
        state = page.edit(state, edit, resolution=2.0)
    path = tmp_path / "corrected.geojson"
    path.write_bytes(page.http.get(f"/api/photos/{state['id']}/files/outline.geojson").content)
    result = measure_photo(PHOTO, mark=MARK, outline=path, limits=LIMITS, given=GIVEN).to_json()
    weld: Any = result["welds"]
    said = quantities(state)
    assert set(said) == set(weld[0]["quantities"])
    for key, q in weld[0]["quantities"].items():
        assert {k: said[key][k] for k in ("value", "u", "U95", "reason")} == {
            k: q[k] for k in ("value", "u", "U95", "reason")
        }, key
    shown = {_verdict(v) for q in said.values() for v in q["verdicts"]}
    assert shown == {_verdict(v) for v in weld[0]["verdicts"]}
    assert state["grade"] == result["grade"]
    assert state["made_by"] == "corrected by hand"
    # and by hand: root to toe in a straight line
    now = state["welds"][0]
    leg = np.hypot(*np.subtract(now["toe_nonbutting"], now["joint_root"])) * state["scale"]["mm_per_px"]
    assert said["leg_nonbutting"]["value"] == pytest.approx(leg, abs=1e-4)
    assert said["void_area_fraction"]["value"] == pytest.approx(
        np.pi * 81 * state["scale"]["mm_per_px"] ** 2 / said["weld_area"]["value"], rel=0.03
    )


def test_what_changed_is_said_with_what_it_was(page: Page, fresh: dict[str, Any]) -> None:
    toe = fresh["welds"][0]["toe_butting"]
    after = page.edit(fresh, {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [toe[0], toe[1] + 60]})
    before, now = quantities(fresh)["leg_butting"], quantities(after)["leg_butting"]
    assert "leg_butting" in after["welds"][0]["changed"]
    assert "leg_nonbutting" not in after["welds"][0]["changed"]
    assert now["before"] == {k: before[k] for k in ("value", "u", "U95", "text")}
    assert now["value"] == pytest.approx(before["value"] - 60 * after["scale"]["mm_per_px"], abs=0.05)
    assert after["undo_text"] == after["changes"][-1]["text"] == "Toe on the butting member moved by 60 px"
    assert after["changes"][-1]["who"] == "A. Bench"
    assert after["changes"][-1]["at"].endswith("+00:00")
    assert feature(after, "face")["by_hand"]
    assert not feature(after, "surface_butting")["by_hand"]
    assert after["welds"][0]["found"] == fresh["welds"][0]["found"]
    assert after["ms"]["all"] > 0


def test_undo_and_redo_have_no_end(page: Page, fresh: dict[str, Any]) -> None:
    state = fresh
    states = [state]
    for k in range(12):
        toe = state["welds"][0]["toe_butting"]
        to = [toe[0], toe[1] + (5 if k % 3 else -8)]
        state = page.edit(state, {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": to})
        states.append(state)
    for was in reversed(states[:-1]):
        state = page.edit(state, {"kind": "undo"})
        assert state["welds"][0]["features"] == was["welds"][0]["features"]
    for was in states[1:]:
        state = page.edit(state, {"kind": "redo"})
        assert state["welds"][0]["features"] == was["welds"][0]["features"]
    assert not state["can_redo"]
    assert page.edit(state, {"kind": "redo"}, status=422)["text"] == "There is nothing left to redo."
    state = page.edit(state, {"kind": "undo"})
    x, y = state["welds"][0]["joint_root"]
    state = page.edit(state, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 3, y]})
    assert not state["can_redo"]


def test_an_outline_that_cannot_be_measured_is_undone_like_any_other(
    page: Page, fresh: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from macrocheck.review import figures

    def broken(*_: object, **__: object) -> None:
        msg = "not foreseen"
        raise ZeroDivisionError(msg)

    x, y = fresh["welds"][0]["joint_root"]
    monkeypatch.setattr(figures, "measure_weld", broken)
    after = page.edit(fresh, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 1, y + 2]})
    assert "cannot be measured as it stands" in after["scale_problem"]
    monkeypatch.undo()
    undone = page.edit(after, {"kind": "undo"})
    assert undone["scale_problem"] is None
    assert quantities(undone).keys() == quantities(fresh).keys()


def test_two_windows_on_one_photo(page: Page, fresh: dict[str, Any]) -> None:
    path = f"/api/photos/{fresh['id']}"
    edit = {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": fresh["welds"][0]["toe_butting"]}
    page.post(f"{path}/claim", {"window": WINDOW, "who": "Kim"})
    held = page.post(f"{path}/claim", {"window": OTHER}, status=409)
    assert held["code"] == "held"
    assert "(Kim)" in held["text"]
    assert held["held_by"]["window"] == WINDOW
    body = {"revision": fresh["revision"], "window": OTHER, "edit": edit}
    assert page.post(f"{path}/edits", body, status=409)["code"] == "held"
    assert page.photo()["revision"] == fresh["revision"]
    page.post(f"{path}/claim", {"window": OTHER, "take_over": True})
    mine = page.post(f"{path}/edits", body)
    assert mine["held_by"]["window"] == OTHER
    late = page.post(f"{path}/edits", {**body, "window": WINDOW}, status=409)
    assert late["code"] == "held"
    page.post(f"{path}/release", {"window": WINDOW})  # not its own to let go
    assert page.post(f"{path}/claim", {"window": WINDOW}, status=409)["code"] == "held"
    page.post(f"{path}/release", {"window": OTHER})
    stale = page.post(f"{path}/edits", {**body, "window": WINDOW}, status=409)
    assert stale["code"] == "stale"
    assert stale["state"]["revision"] == mine["revision"]


@pytest.mark.parametrize("window", [None, "", "short", "has space 1", "x" * 65, 7, "ümlaut1234"])
def test_a_window_must_name_itself(page: Page, window: object) -> None:
    state = page.photo()
    page.post(f"/api/photos/{state['id']}/claim", {"window": window}, status=400)
    body = {"revision": state["revision"], "window": window, "edit": {"kind": "undo"}}
    page.post(f"/api/photos/{state['id']}/edits", body, status=400)


def test_a_decision_stands_until_the_next_edit(page: Page, fresh: dict[str, Any]) -> None:
    path = f"/api/photos/{fresh['id']}/decision"
    body = {"revision": fresh["revision"], "window": WINDOW}
    assert page.post(path, {**body, "word": "look_again"}, status=422)["text"].startswith("Say in a few words")
    page.post(path, {**body, "word": "perhaps"}, status=400)
    said = page.post(path, {**body, "word": "look_again", "reason": " the  root ", "who": "Kim"})
    assert (said["decision"]["reason"], said["decision"]["who"]) == ("the root", "Kim")
    assert page.get("/api/queue")["look_again"] == 1
    said = page.post(path, {**body, "word": "accept"})
    assert said["decision"]["word"] == "accept"
    assert page.get("/api/queue")["accepted"] == 1
    x, y = fresh["welds"][0]["joint_root"]
    after = page.edit(said, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 2, y]})
    assert after["decision"] is None
    assert page.get("/api/queue")["open"] == 1


def test_settings_follow_at_once(page: Page, fresh: dict[str, Any]) -> None:
    after = page.edit(fresh, {"kind": "settings", "settings": {"limits": None, "fusion_threshold": "0.5mm"}})
    assert after["grade"] is None
    assert quantities(after)["unfused_nonbutting"]["value"] > quantities(fresh)["unfused_nonbutting"]["value"]
    ends = [[200.0, 1000.0], [800.0, 1000.0]]
    scaled = page.edit(after, {"kind": "set_scale", "ends": ends, "length": "10 mm"})
    assert scaled["scale"]["mm_per_px"] == pytest.approx(10 / 600)
    assert scaled["scale"]["by_hand"]
    assert scaled["scale"]["marks"][0]["ends"] == ends
    assert scaled["scale"]["marks"][0]["length"] == "10 mm"
    none = page.edit(scaled, {"kind": "settings", "settings": {"marks": []}})
    assert none["scale"] is None
    assert "Choose the reference mark" in none["scale_problem"]
    assert none["welds"][0]["quantities"] == []
    missing = page.edit(none, {"kind": "settings", "settings": {"marks": ["bar:7mm"]}})
    assert missing["scale"] is None
    assert missing["scale_problem"]


def test_the_butting_member_is_the_one_pointed_at(tmp_path: Path) -> None:
    """The members change places: what was the one leg is the other."""
    for page in opened(tmp_path, SAMPLES / "T6-03-sound.jpg", marks=["bar:5mm"], joint="tee"):
        found = page.photo()
        weld = found["welds"][0]
        away = np.subtract(weld["joint_root"], weld["toe_butting"])  # from the face into the nonbutting member
        at = (np.array(weld["toe_nonbutting"]) + 0.8 * away).tolist()
        after = page.edit(found, {"kind": "hint", "hint": "butting", "at": at})
        assert after["undo_text"] == "Butting member pointed at"
        legs = [quantities(s)[f"leg_{m}"]["value"] for s, m in ((found, "nonbutting"), (after, "butting"))]
        assert legs[1] == pytest.approx(legs[0], rel=0.02)


def test_the_mark_found_has_ends_to_drag_that_give_the_same_scale(page: Page, fresh: dict[str, Any]) -> None:
    mark = fresh["scale"]["marks"][0]
    after = page.edit(fresh, {"kind": "set_scale", "ends": mark["ends"], "length": mark["length"]})
    assert after["scale"]["mm_per_px"] == pytest.approx(fresh["scale"]["mm_per_px"], rel=0.002)


def test_tiles_are_the_photo(page: Page) -> None:
    import cv2

    from macrocheck.reading import read_photo

    photo = read_photo(PHOTO)
    view = page.photo()["view"]
    finest = len(view["levels"]) - 1
    assert (view["levels"][finest]["width"], view["levels"][finest]["height"]) == (photo.width, photo.height)
    for z in (finest, 0):
        data = page.http.get(f"/api/photos/{page.photo()['id']}/tiles/{z}/0/0.jpg").content
        tile = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))[:, :, ::-1]
        factor = 2 ** (finest - z)
        side = 512 * factor
        part = photo.pixels[:side, :side]
        wanted = cv2.resize(part, (part.shape[1] // factor, part.shape[0] // factor), interpolation=cv2.INTER_AREA)
        assert tile.shape == wanted.shape
        assert np.abs(tile.astype(int) - wanted).mean() < 4


def test_what_is_saved_holds_both_outlines_who_and_where(
    page: Page, fresh: dict[str, Any], result_schema: Draft202012Validator
) -> None:
    x, y = fresh["welds"][0]["joint_root"]
    state = page.edit(fresh, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 2, y]}, who="Kim")
    body = {"revision": state["revision"], "window": WINDOW}
    saved = page.post(f"/api/photos/{state['id']}/save", body)
    folder = page.desk.keep.results
    assert sorted(saved["files"]) == sorted(p.name for p in folder.iterdir())
    document = json.loads((folder / "T6-07-cold-lap-butting.result.json").read_text(encoding="utf-8"))
    result_schema.validate(document)
    assert document["outline"]["made_by"] == "corrected by hand"
    correction = document["outline"]["correction"]
    assert [(c["who"], c["points"]) for c in correction["changes"]] == [("Kim", [[x + 2, y]])]
    found = {f["properties"]["part"]: f["geometry"]["coordinates"] for f in correction["found"]}
    machine = {f["part"]: f["points"] for f in fresh["welds"][0]["found"]}
    assert np.allclose(found["fusion"], machine["fusion"], atol=1e-3)
    assert saved["state"]["saved"] == saved["files"]
    assert page.get("/api/queue")["items"][0]["saved"]
    assert page.http.get(f"/api/photos/{state['id']}/files/result.json").json() == document


def test_nothing_is_lost_in_between(tmp_path: Path) -> None:
    keep = tmp_path / "keep"
    for page in opened(keep, PHOTO, marks=[MARK], joint="tee"):
        state = page.photo()
        toe = state["welds"][0]["toe_butting"]
        state = page.edit(
            state, {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [toe[0], toe[1] + 20]}
        )
        x, y = feature(state, "fusion")["points"][120]
        state = page.edit(state, {"kind": "pass_through", "at": [x + 2, y + 6]})
        page.edit(state, {"kind": "undo"})
        state = page.edit(page.photo(), {"kind": "redo"})
        body = {"revision": state["revision"], "window": WINDOW, "word": "accept"}
        state = page.post(f"/api/photos/{state['id']}/decision", body)
    for page in opened(keep):  # named nothing: what lay on the desk
        assert page.get("/api/queue")["last"] == state["id"]
        again = page.photo()
        for part in ("welds", "changes", "decision", "revision", "can_undo", "settings", "hints", "scale"):
            mine, yours = again[part], state[part]
            if part == "welds":
                for weld in (*mine, *yours):
                    weld["changed"] = []
                    for q in weld["quantities"]:
                        q["before"] = None
            assert mine == yours, part
        x, y = feature(again, "fusion")["points"][100]
        assert page.edit(again, {"kind": "pass_through", "at": [x + 1, y + 5]})["can_undo"]
        undone = page.edit(page.photo(), {"kind": "undo"})
        assert undone["welds"][0]["features"] == state["welds"][0]["features"]
        while undone["can_undo"]:
            undone = page.edit(undone, {"kind": "undo"})
        assert undone["made_by"] == "found"
        assert page.edit(undone, {"kind": "undo"}, status=422)["text"] == "There is nothing left to undo."


def test_a_folder_is_one_programs_at_a_time(tmp_path: Path) -> None:
    from macrocheck.errors import InputError

    with KeepFolder(tmp_path / "keep"), pytest.raises(InputError, match="Another macrocheck review"):  # noqa: SIM117
        with KeepFolder(tmp_path / "keep"):
            pass
    with KeepFolder(tmp_path / "keep"):
        pass


def test_for_people_who_do_not_type(tmp_path: Path) -> None:
    """An empty page: pictures are sent, all is chosen, saved and put on a record, and found there again."""
    keep = tmp_path / "keep"
    for page in opened(keep):
        assert page.get("/api/queue")["items"] == []
        choices = page.get("/api/options")
        mark = next(m for m in choices["marks"] if m["name"] == "ruler")
        assert mark["needs"] == "length"
        settings = {"marks": [f"{mark['name']}:1mm"], "joint": "tee", "limits": LIMITS, "given": GIVEN}
        page.post("/api/queue", {"settings": settings})
        sent = page.http.post("/api/photos?name=coupon 7.jpg", content=PHOTO.read_bytes())
        assert sent.status_code == 201
        state = page.photo("coupon 7.jpg")
        assert state["grade"] == "reject"
        path = f"/api/photos/{state['id']}"
        x, y = state["welds"][0]["joint_root"]
        state = page.edit(state, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 1, y]})
        body: dict[str, Any] = {"revision": state["revision"], "window": WINDOW, "new_record": "../shop"}
        assert "coupon" in page.post(f"{path}/attach", body, status=422)["text"]
        body["coupon"] = "T6-07"
        page.post(f"{path}/attach", {**body, "settings": {"amps": "many"}}, status=422)
        done = page.post(f"{path}/attach", {**body, "settings": {"amps": "180"}})
        assert done["record"] == "shop.db"
        assert (keep / "records" / "shop.db").is_file()
        (record,) = page.get("/api/records")
        again = {**body, "record": record["id"], "new_record": ""}
        state = page.edit(done["state"], {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x + 2, y]})
        again["revision"] = state["revision"]
        assert "say why" in page.post(f"{path}/attach", again, status=422)["text"]
        assert page.post(f"{path}/attach", {**again, "reason": "root put right"})["revisions"] == 1
        assert page.photo()["attached"] == ["shop.db: T6-07 coupon 7"]
        page.post(f"{path}/attach", {**again, "record": "r9"}, status=422)
    with open_record(str(keep / "records" / "shop.db")) as record_now:
        from macrocheck.record.verify import verify

        assert not verify(record_now).faults
    for page in opened(tmp_path / "elsewhere", keep / "records" / "shop.db"):
        again_state = page.photo()
        assert again_state["name"] == "T6-07 coupon 7"
        assert again_state["grade"] == "reject"
        assert again_state["made_by"] == "corrected by hand"
        assert quantities(again_state)["leg_butting"]["value"] == quantities(state)["leg_butting"]["value"]
        assert page.get("/api/records")[0]["default"]
        assert again_state["on_record"] == {"record": "shop.db", "coupon": "T6-07", "section": "coupon 7"}
        x, y = again_state["welds"][0]["joint_root"]
        moved = page.edit(again_state, {"kind": "move_point", "weld": 0, "point": "joint_root", "to": [x - 2, y]})
        body = {"revision": moved["revision"], "window": WINDOW, "reason": "looked again"}
        done = page.post(f"/api/photos/{moved['id']}/attach", body)
        assert (done["record"], done["revisions"]) == ("shop.db", 1)
        assert done["state"]["attached"] == ["shop.db: T6-07 coupon 7"]


def test_a_picture_without_a_weld_is_shown_and_drawn_by_hand(tmp_path: Path) -> None:
    import cv2

    grey = np.full((480, 640, 3), 120, np.uint8)
    cv2.imwrite(str(tmp_path / "grey.png"), grey)
    for page in opened(tmp_path / "keep", tmp_path / "grey.png"):
        state = page.photo()
        assert state["welds"] == []
        assert state["outline_problem"]
        assert state["scale_problem"]
        assert page.get("/api/queue")["items"][0]["doubts"] >= 20
        assert page.http.get(f"/api/photos/{state['id']}/files/result.json").status_code == 422
        state = page.edit(state, {"kind": "set_scale", "ends": [[100, 450], [500, 450]], "length": "10mm"})
        toes = {"toe_butting": [200, 180], "toe_nonbutting": [360, 300], "joint_root": [200, 300]}
        state = page.edit(state, {"kind": "draw_weld", "joint": "tee", **toes})
        assert state["made_by"] == "drawn by hand"
        assert quantities(state)["leg_butting"]["value"] == pytest.approx(120 * 10 / 400, abs=1e-3)
        assert quantities(state)["leg_nonbutting"]["value"] == pytest.approx(160 * 10 / 400, abs=1e-3)


def test_a_picture_sent_twice_lies_on_the_desk_once(page: Page) -> None:
    before = page.photo()
    item = page.http.post("/api/photos?name=again.jpg", content=PHOTO.read_bytes()).json()
    assert item["id"] == before["id"]
    assert page.get("/api/queue")["total"] == 1


def test_a_result_file_is_opened_as_it_was_measured(tmp_path: Path) -> None:
    import shutil

    from macrocheck.cli.files import write_files
    from macrocheck.reading import read_photo

    photo = Path(shutil.copy(PHOTO, tmp_path / PHOTO.name))
    result = measure_photo(photo, mark=MARK, joint="tee", limits=LIMITS, given=GIVEN)
    write_files(read_photo(photo), result, tmp_path, "seven", unit="mm", keep=None)
    for page in opened(tmp_path / "keep", tmp_path / "seven.result.json", given=GIVEN):
        state = page.photo()
        said = quantities(state)
        for key, q in result.measurements[0].quantities.items():
            assert said[key]["value"] == q.to_json()["value"], key
            assert said[key]["u"] == q.u, key
        assert state["settings"]["limits"] == LIMITS
        assert state["grade"] == result.verdicts.grade
        x, y = feature(state, "fusion")["points"][100]
        after = page.edit(state, {"kind": "pass_through", "at": [x + 2, y + 6]})
        assert np.hypot(*(np.asarray(feature(after, "fusion")["points"]) - [x + 2, y + 6]).T).min() < 3.5


def test_the_doubtful_come_first_and_the_unusable_last(tmp_path: Path) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff nothing")
    twin = tmp_path / "twin.jpg"
    twin.write_bytes((SAMPLES / "T6-03-sound.jpg").read_bytes())
    names = (broken, SAMPLES / "T6-03-sound.jpg", SAMPLES / "T6-16-close-crop.jpg", twin)
    for page in opened(tmp_path / "keep", *names, marks=["px:0.02mm"], joint="tee"):
        for name in ("T6-03-sound.jpg", "T6-16-close-crop.jpg"):
            page.photo(name)
        ids = {i["name"]: i["id"] for i in page.get("/api/queue")["items"]}
        twice = page.http.get(f"/api/photos/{ids['twin.jpg']}")
        assert "the same picture as T6-03-sound.jpg" in twice.json()["text"]
        bad = page.http.get(f"/api/photos/{ids['broken.jpg']}")
        assert bad.status_code == 422
        queue = page.get("/api/queue")
        assert [i["name"] for i in queue["items"]][:2] == ["T6-16-close-crop.jpg", "T6-03-sound.jpg"]
        assert {i["name"]: i["stage"] for i in queue["items"]} == {
            "T6-16-close-crop.jpg": "ready",
            "T6-03-sound.jpg": "ready",
            "broken.jpg": "failed",
            "twin.jpg": "failed",
        }
        flagged = page.photo("T6-16-close-crop.jpg")
        asks = [f for f in flagged["flags"] if f["asks"]]
        assert queue["items"][0]["doubts"] == len(asks) > 0
        assert all(f["box"] for f in asks if f["where_px"])
        assert page.http.get(queue["items"][0]["thumb"]).headers["content-type"] == "image/jpeg"
