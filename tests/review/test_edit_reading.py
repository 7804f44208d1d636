"""Edits as the page sends them: each field checked, one sentence on what is wrong."""

import typing
from typing import Any

import pytest

from macrocheck.errors import InputError
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.review import edits as e
from macrocheck.review import protocol_edits
from macrocheck.review.edit_reading import MOST_POINTS, click_u, read_edit

GOOD: list[tuple[dict[str, Any], type]] = [
    ({"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, 2.5]}, e.MovePoint),
    ({"kind": "move_vertex", "feature": "0/fusion", "index": 3, "to": [1, 2], "reach_px": 20}, e.MoveVertex),
    ({"kind": "add_vertex", "feature": "0/face", "index": 3, "at": [1, 2]}, e.AddVertex),
    ({"kind": "remove_vertex", "feature": "0/face", "index": 3}, e.RemoveVertex),
    ({"kind": "redraw", "feature": "0/face", "points": [[0, 0], [5, 5]]}, e.Redraw),
    ({"kind": "pass_through", "at": [4, 4]}, e.AddHint),
    ({"kind": "avoid", "at": [4, 4]}, e.AddHint),
    ({"kind": "hint", "hint": "edge", "at": [4, 4]}, e.AddHint),
    ({"kind": "hint", "hint": "butting", "at": [4, 4]}, e.AddHint),
    ({"kind": "remove_hint", "index": 0}, e.RemoveHint),
    ({"kind": "mark_span", "weld": 0, "state": "unfused", "start": [0, 0], "end": [9, 0]}, e.MarkSpan),
    ({"kind": "add_void", "weld": 0, "points": [[0, 0], [5, 5], [0, 5]]}, e.AddVoid),
    ({"kind": "add_void", "weld": 0, "centre": [50, 50], "radius_px": 4}, e.AddVoid),
    ({"kind": "add_indication", "weld": 0, "points": [[0, 0], [5, 5]]}, e.AddIndication),
    ({"kind": "remove", "feature": "0/void/1"}, e.Remove),
    ({"kind": "remove_weld", "weld": 1}, e.RemoveWeld),
    ({"kind": "confirm", "weld": 0}, e.Confirm),
    (
        {
            "kind": "draw_weld",
            "joint": "lap",
            "toe_butting": [0, 0],
            "toe_nonbutting": [9, 9],
            "joint_root": [0, 9],
        },
        e.DrawWeld,
    ),
    ({"kind": "draw_weld", "joint": "bead", "toe_butting": [0, 0], "toe_nonbutting": [9, 9]}, e.DrawWeld),
    ({"kind": "set_scale", "ends": [[0, 0], [90, 0]], "length": "10mm"}, e.SetScale),
    ({"kind": "settings", "settings": {"marks": ["bar:5mm"]}}, e.Choose),
    ({"kind": "undo"}, e.Plain),
    ({"kind": "redo"}, e.Plain),
    ({"kind": "reset"}, e.Plain),
]


@pytest.mark.parametrize(("body", "kind"), GOOD)
def test_every_edit_of_the_protocol_is_read(body: dict[str, Any], kind: type) -> None:
    assert isinstance(read_edit(body, 200, 100), kind)


def test_the_list_above_has_every_edit_of_the_protocol() -> None:
    kinds: set[str] = set()
    for edit in typing.get_args(protocol_edits.Edit):
        kinds |= set(typing.get_args(typing.get_type_hints(edit)["kind"]))
    assert kinds == {body["kind"] for body, _ in GOOD}


@pytest.mark.parametrize(
    "body",
    [
        None,
        [],
        "undo",
        {},
        {"kind": "explode"},
        {"kind": ["undo"]},
        {"kind": "move_point", "weld": 0, "point": "nose", "to": [1, 2]},
        {"kind": "move_point", "weld": -1, "point": "toe_butting", "to": [1, 2]},
        {"kind": "move_point", "weld": True, "point": "toe_butting", "to": [1, 2]},
        {"kind": "move_point", "weld": 0.5, "point": "toe_butting", "to": [1, 2]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, "2"]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, float("nan")]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, float("inf")]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, 10**400]},
        {"kind": "move_point", "weld": 0, "point": "toe_butting", "to": [1, 130]},
        {"kind": "move_vertex", "feature": "", "index": 0, "to": [1, 2]},
        {"kind": "move_vertex", "feature": "x" * 300, "index": 0, "to": [1, 2]},
        {"kind": "move_vertex", "feature": "0/face", "index": 0, "to": [1, 2], "reach_px": "far"},
        {"kind": "redraw", "feature": "0/face", "points": [[0, 0]]},
        {"kind": "redraw", "feature": "0/face", "points": [[0, 0]] * (MOST_POINTS + 1)},
        {"kind": "add_void", "weld": 0, "centre": [50, 50], "radius_px": 1e6},
        {"kind": "add_void", "weld": 0},
        {"kind": "draw_weld", "joint": "tee", "toe_butting": [0, 0], "toe_nonbutting": [9, 9]},
        {"kind": "set_scale", "ends": [[0, 0], [1, 1], [2, 2]], "length": "10mm"},
        {"kind": "set_scale", "ends": [[0, 0], [1, 1]], "length": 10},
        {"kind": "settings", "settings": "bar"},
        {"kind": "hint", "hint": "here", "at": [1, 1]},
    ],
)
def test_anything_else_is_refused_in_one_sentence(body: object) -> None:
    with pytest.raises(InputError, match=r"^This change cannot be made: .*\.$"):
        read_edit(body, 200, 100)


def test_a_click_is_as_unsure_as_the_screen_is_coarse_and_never_surer_than_an_eye() -> None:
    assert click_u(None) == CLICK_U_PX
    assert click_u(0.1) == CLICK_U_PX
    assert click_u(4) == 4 * CLICK_U_PX
    for bad in (0, -1, 1e6, "1", float("nan")):
        with pytest.raises(InputError):
            click_u(bad)
