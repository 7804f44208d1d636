"""Whatever a hand does, in any order: refused in one sentence, or an outline to be measured, saved and read."""

import json
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.measure import measure_weld
from macrocheck.outline_file import outline_bytes, outline_from_geojson
from macrocheck.review.edit_reading import read_edit
from macrocheck.review.figures import outline_of
from macrocheck.review.reduce import reduced
from macrocheck.review.state import State
from macrocheck.scale import Scale
from tests.review.tee import HEIGHT, MM_PER_PX, ROOT, WIDTH, begun, straight

SCALE = Scale(MM_PER_PX, 0.001, "stated")
near = st.tuples(st.floats(220, 520), st.floats(240, 480)).map(list)
"""A place about the weld."""
anywhere = st.tuples(st.floats(-60, 860), st.floats(-40, 640)).map(list)
place = st.one_of(near, near, near, anywhere)
weld = st.sampled_from([0, 0, 0, 0, 1])
feature = st.sampled_from(
    ["0/face", "0/fusion", "0/surface_butting", "0/surface_nonbutting", "0/surface_top", "0/void/0", "0/void/1",
     "0/indication/0", "0/haz_butting", "0/groove_nonbutting", "0/seam_end", "1/face"]
)  # fmt: skip
stroke = st.lists(place, min_size=2, max_size=6)
index = st.integers(0, 160)
reach = st.one_of(st.none(), st.floats(0, 200))


def _edit(kind: str, **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"kind": st.just(kind), **fields})


edits = st.one_of(
    _edit(
        "move_point",
        weld=weld,
        point=st.sampled_from(["joint_root", "toe_butting", "toe_nonbutting", "seam_end"]),
        to=place,
        free=st.booleans(),
    ),
    _edit("move_vertex", feature=feature, index=index, to=place, reach_px=reach),
    _edit("add_vertex", feature=feature, index=index, at=place),
    _edit("remove_vertex", feature=feature, index=index, reach_px=reach),
    _edit("redraw", feature=feature, points=stroke),
    _edit("pass_through", at=place),
    _edit("avoid", at=place),
    _edit("remove_hint", index=st.integers(0, 2)),
    _edit("mark_span", weld=weld, state=st.sampled_from(["unfused", "fused"]), start=place, end=place),
    _edit("add_void", weld=weld, centre=near, radius_px=st.floats(1, 30)),
    _edit("add_void", weld=weld, points=st.lists(near, min_size=3, max_size=6)),
    _edit("add_indication", weld=weld, points=stroke),
    _edit("remove", feature=feature),
    _edit("remove_weld", weld=weld),
    _edit(
        "draw_weld",
        joint=st.sampled_from(["tee", "lap", "bead"]),
        toe_butting=place,
        toe_nonbutting=place,
        joint_root=place,
    ),
    _edit("confirm", weld=weld),
    _edit("reset"),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(edits, min_size=1, max_size=5), st.floats(0.2, 8))
def test_any_edits(wanted: list[dict[str, Any]], click: float) -> None:
    state, solver = begun()
    solver.bare = straight(ROOT + np.array([160.0, 0.0]), ROOT + np.array([0.0, 12.0]), ROOT)
    said = []
    for body in wanted:
        try:
            state, change = reduced(state, read_edit(body, WIDTH, HEIGHT), click, solver, {})
            said.append(change.text)
        except InputError as refused:
            said.append(str(refused))
    assert all(text and "\n" not in text for text in said)
    _sound(state)


def _sound(state: State) -> None:
    for hand in state.welds:
        now = hand.now
        assert np.isfinite(now.face).all()
        assert np.isfinite(now.fusion).all()
        assert (now.u_face >= 0).all()
        assert (now.u_fusion >= 0).all()
        assert np.allclose(now.face[-1], now.fusion[0])
        assert np.allclose(now.face[0], now.fusion[-1])
    outline = outline_of(state)
    if not outline.welds:
        return
    again = outline_from_geojson(json.loads(outline_bytes(outline)), width=WIDTH, height=HEIGHT)
    for one, two in zip(outline.welds, again.welds, strict=True):
        assert measure_weld(one, SCALE, draws=20).quantities == measure_weld(two, SCALE, draws=20).quantities
