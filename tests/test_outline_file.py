"""Outline files: what was found comes back exactly, what a person changed is recognised and made good."""

import copy
import dataclasses
import json
import re
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from macrocheck.arrays import frozen
from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.outline_file import outline_bytes, outline_from_geojson, outline_to_geojson, read_outline

WIDTH, HEIGHT = 1200, 900
ROOT = (400.0, 600.0)


def tee(shift: float = 0.0) -> WeldOutline:
    """A 45 degree tee fillet with legs of 200 px; butting member upright on the left, everything filled in."""
    x, y = ROOT[0] + shift, ROOT[1]
    face = frozen([[x, y - 200], [x + 60.1, y - 130.7], [x + 130.3, y - 60.25], [x + 200, y]])
    fusion = frozen([[x + 200, y], [x + 120, y + 21 / 3], [x, y + 10], [x - 13.37, y - 90], [x, y - 200]])
    return WeldOutline(
        joint="tee",
        surface_butting=SurfaceLine((x, y - 350), (0.0, -1.0), 0.31, 0.0021, 200.0),
        surface_nonbutting=SurfaceLine((x + 350, y), (1.0, 0.0), 0.27, 0.0017, 180.0),
        face=face,
        fusion=fusion,
        u_face=frozen([0.5, 0.41, 0.42, 0.6]),
        u_fusion=frozen([0.6, 1 / 3, 0.9, 2.1, 0.5]),
        correlation_px=17.3,
        complete_butting=True,
        complete_nonbutting=True,
        voids=(frozen([[x + 40, y - 40], [x + 45, y - 40], [x + 43, y - 36]]),),
        u_voids=(1.7, 9.25),
        haz_butting=frozen([[x - 40, y - 200], [x - 45, y - 90]]),
        haz_nonbutting=frozen([[x + 200, y + 40], [x, y + 60.5]]),
        u_haz=3.3,
        seam_end=(x - 160.5, y),
        u_seam_end=0.73,
        gap_px=(4.5, 1.25),
        indications=(frozen([[x, y], [x - 20, y]]), frozen([[x + 9, y - 9], [x + 12, y - 30]])),
        surface_top=SurfaceLine((x - 60.0, y - 240), (-1.0, 0.0), 0.2, 0.001, 90.0),
        groove_butting=frozen([[x, y - 200], [x - 5, y - 215], [x, y - 230]]),
        groove_nonbutting=frozen([[x + 200, y], [x + 230, y]]),
        flags=(
            Flag("low_contrast", "The boundary is faint under the toe.", ((x + 120.0, y + 7.0),)),
            Flag("glare", "Glare."),
        ),
        withheld={"dilution": "the boundary is faint"},
    )


def outline() -> Outline:
    return Outline(WIDTH, HEIGHT, (tee(), tee(400.0)), "found with hints", (Flag("blurred", "Blurred."),))


def document() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(outline_bytes(outline()))
    return loaded


def read(doc: dict[str, Any], **more: Any) -> Outline:
    return outline_from_geojson(doc, width=WIDTH, height=HEIGHT, **more)


def part(doc: dict[str, Any], name: str, weld: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = next(
        f for f in doc["features"] if f["properties"]["part"] == name and f["properties"]["weld"] == weld
    )
    return found


def drawn(*parts: tuple[str, list[list[float]]], **face_properties: Any) -> dict[str, Any]:
    """A file as a person makes it in a general editor: no foreign member, hardly a property."""
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": points},
                "properties": {"part": name, **(face_properties if name == "face" else {})},
            }
            for name, points in parts
        ],
    }


def same(a: object, b: object) -> bool:
    """Exact equality, arrays bit for bit."""
    if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
        return a.shape == b.shape and a.tobytes() == b.tobytes()
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, WeldOutline | Outline) and type(a) is type(b):
        return all(same(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a))
    return a == b


def codes(weld: WeldOutline) -> list[str]:
    return [f.code for f in weld.flags]


class TestFound:
    def test_every_field_of_the_sample_differs_from_its_default(self) -> None:
        # Or a field that the file forgets would go unnoticed below.
        for field in dataclasses.fields(WeldOutline):
            if field.name.startswith("complete"):
                continue
            if field.default is not dataclasses.MISSING:
                value = getattr(tee(), field.name)
                assert isinstance(value, np.ndarray) or value != field.default, field.name

    def test_comes_back_exactly_through_bytes(self) -> None:
        assert same(read(document()), outline())

    def test_incomplete_and_bare_welds_come_back_exactly(self) -> None:
        bare = WeldOutline(
            "bead", None, SurfaceLine((300, 200), (1.0, 0.0), 0.3, 0.001), tee().face, tee().fusion, tee().u_face,
            tee().u_fusion, 8.0, complete_butting=False,
        )  # fmt: skip
        found = Outline(WIDTH, HEIGHT, (bare,))
        assert same(read(json.loads(outline_bytes(found))), found)

    @settings(max_examples=40, deadline=None)
    @given(
        st.lists(st.tuples(st.floats(0, 1199), st.floats(0, 899), st.floats(0, 50)), min_size=2, max_size=12),
        st.floats(-3.14159, 3.14159),
        st.floats(0, 500),
    )
    def test_any_finite_numbers_come_back_exactly(
        self, rows: list[tuple[float, float, float]], angle: float, length: float
    ) -> None:
        line = SurfaceLine((600.1, 300.7), (float(np.cos(angle)), float(np.sin(angle))), 0.1, 0.2, length)
        points, u = frozen([r[:2] for r in rows]), frozen([r[2] for r in rows])
        weld = dataclasses.replace(tee(), face=points, u_face=u, surface_butting=line)
        found = Outline(WIDTH, HEIGHT, (weld,))
        assert same(read(json.loads(outline_bytes(found))), found)

    def test_is_geojson(self) -> None:
        # RFC 7946: 3.3 FeatureCollection, 3.2 Feature, 3.1.6 rings closed with at least four positions, 4 no crs,
        # 7.1 a FeatureCollection has no member called coordinates, geometries, geometry or properties.
        doc = document()
        assert doc["type"] == "FeatureCollection"
        assert not {"coordinates", "geometries", "geometry", "properties", "crs"} & set(doc)
        assert "x right, y down" in doc["macrocheck"]["coordinates_are"]
        for feature in doc["features"]:
            assert set(feature) >= {"type", "geometry", "properties"}
            assert feature["type"] == "Feature"
            if feature["geometry"]["type"] == "Polygon":
                (ring,) = feature["geometry"]["coordinates"]
                assert ring[0] == ring[-1]
                assert len(ring) >= 4

    def test_shapely_reads_the_same_shapes(self) -> None:
        # External reader of GeoJSON geometry: shapely (GEOS).
        from shapely.geometry import shape

        void = shape(part(document(), "void")["geometry"])
        assert void.area == pytest.approx(10.0)  # base 5 px, height 4 px
        face = shape(part(document(), "face")["geometry"])
        assert face.length == pytest.approx(float(np.hypot(*np.diff(tee().face, axis=0).T).sum()))

    def test_an_editor_that_rounds_to_seven_decimals_changes_nothing(self) -> None:
        doc = json.loads(json.dumps(document()), parse_float=lambda s: round(float(s), 7))
        assert read(doc).made_by == "found with hints"

    def test_a_second_trip_of_a_correction_is_exact(self) -> None:
        doc = document()
        part(doc, "fusion")["geometry"]["coordinates"][2][1] += 12
        once = read(doc)
        assert same(read(json.loads(outline_bytes(once))), once)


class TestCorrected:
    def test_a_moved_vertex_gets_the_click_uncertainty_and_the_others_keep_theirs(self) -> None:
        doc = document()
        part(doc, "fusion")["geometry"]["coordinates"][2] = [405.0, 640.0]
        got = read(doc)
        assert got.made_by == "corrected by hand"
        weld, other = got.welds
        assert same(other, tee(400.0))
        assert weld.fusion[2].tolist() == [405.0, 640.0]
        assert weld.u_fusion.tolist() == [0.6, 1 / 3, CLICK_U_PX, 2.1, 0.5]
        assert same(weld.u_face, tee().u_face)
        assert codes(weld) == ["glare", "corrected_by_hand"]  # the faint boundary is answered, the glare is not
        assert "fusion" in weld.flags[-1].text
        assert weld.withheld == {}

    def test_vertices_added_and_removed(self) -> None:
        doc = document()
        rows = part(doc, "fusion")["geometry"]["coordinates"]
        rows.insert(1, [570.0, 604.0])
        del rows[3]
        weld = read(doc).welds[0]
        assert len(weld.fusion) == len(weld.u_fusion) == 5
        assert weld.u_fusion.tolist() == [0.6, CLICK_U_PX, 1 / 3, 2.1, 0.5]
        assert "corrected_by_hand" in codes(weld)

    def test_a_dragged_void_leaves_the_other_doubts(self) -> None:
        doc = document()
        part(doc, "void")["geometry"]["coordinates"] = [[[450, 560], [460, 560], [455, 570], [450, 560]]]
        weld = read(doc).welds[0]
        assert codes(weld) == ["low_contrast", "glare", "corrected_by_hand"]
        assert weld.withheld == tee().withheld
        assert weld.voids[0].tolist() == [[450, 560], [460, 560], [455, 570]]
        assert weld.u_voids == (0.0, 0.0)  # whoever drew it knows that it is one
        assert same(weld.u_fusion, tee().u_fusion)

    @pytest.mark.parametrize("name", ["void", "indication", "seam_end", "haz_butting", "surface_nonbutting"])
    def test_a_removed_part_is_noticed(self, name: str) -> None:
        doc = document()
        doc["features"].remove(part(doc, name))
        got = read(doc)
        assert got.made_by == "corrected by hand"
        assert "corrected_by_hand" in codes(got.welds[0])

    def test_a_removed_weld_is_noticed(self) -> None:
        doc = document()
        doc["features"] = [f for f in doc["features"] if f["properties"]["weld"] == 1]
        got = read(doc)
        assert got.made_by == "corrected by hand"
        assert [f.code for f in got.flags] == ["blurred", "corrected_by_hand"]
        assert same(got.welds[0], tee(400.0))

    def test_another_joint_is_a_correction(self) -> None:
        doc = document()
        part(doc, "face")["properties"]["joint"] = "lap"
        got = read(doc)
        assert got.made_by == "corrected by hand"
        assert got.welds[0].joint == "lap"

    @pytest.mark.parametrize("which", ["face", "fusion"])
    def test_ends_a_few_pixels_apart_are_joined_at_the_end_that_was_moved(self, which: str) -> None:
        doc = document()
        rows = part(doc, which)["geometry"]["coordinates"]
        end = -1 if which == "face" else 0  # toe on the nonbutting member
        rows[end] = [603.0, 597.0]
        weld = read(doc).welds[0]
        assert weld.face[-1].tolist() == weld.fusion[0].tolist() == [603.0, 597.0]
        assert weld.face[0].tolist() == weld.fusion[-1].tolist() == [400.0, 400.0]
        assert weld.u_face[-1] == weld.u_fusion[0] == CLICK_U_PX

    def test_both_ends_moved_meet_half_way(self) -> None:
        doc = document()
        part(doc, "face")["geometry"]["coordinates"][-1] = [604.0, 600.0]
        part(doc, "fusion")["geometry"]["coordinates"][0] = [602.0, 602.0]
        weld = read(doc).welds[0]
        assert weld.face[-1].tolist() == weld.fusion[0].tolist() == [603.0, 601.0]

    def test_ends_far_apart_are_refused(self) -> None:
        doc = document()
        part(doc, "face", 1)["geometry"]["coordinates"][-1] = [1040.0, 600.0]
        with pytest.raises(InputError, match="nonbutting member's toe of weld 1 the face ends 40 px from"):
            read(doc)

    @pytest.mark.parametrize("flipped", [("face",), ("fusion",), ("face", "fusion")])
    def test_lines_drawn_the_other_way_round_are_turned(self, flipped: tuple[str, ...]) -> None:
        doc = document()
        for name in flipped:
            part(doc, name)["geometry"]["coordinates"].reverse()
        weld = read(doc).welds[0]
        assert same(np.ascontiguousarray(weld.face), np.ascontiguousarray(tee().face))
        assert same(np.ascontiguousarray(weld.fusion), np.ascontiguousarray(tee().fusion))
        assert same(np.ascontiguousarray(weld.u_fusion), np.ascontiguousarray(tee().u_fusion))

    def test_a_redrawn_surface_is_fitted_and_points_to_the_toe(self) -> None:
        doc = document()
        # 300 px of a level line, drawn towards the root.
        part(doc, "surface_nonbutting")["geometry"]["coordinates"] = [[900, 602], [750, 602], [600, 602]]
        line = read(doc).welds[0].surface_nonbutting
        assert line is not None
        assert line.direction == pytest.approx((1.0, 0.0))
        assert line.point == pytest.approx((750.0, 602.0))
        assert line.length == pytest.approx(300.0)
        # Least squares through three clicks at -150, 0, 150 px: sd / sqrt(3), sd / sqrt(2 * 150^2).
        assert line.u_offset == pytest.approx(CLICK_U_PX / 3**0.5)
        assert line.u_angle == pytest.approx(CLICK_U_PX / (2**0.5 * 150))

    def test_a_toe_moved_into_the_picture_makes_it_complete(self) -> None:
        cut = dataclasses.replace(tee(), complete_nonbutting=False)
        doc = json.loads(outline_bytes(Outline(WIDTH, HEIGHT, (cut,))))
        part(doc, "face")["geometry"]["coordinates"][-1] = [598.0, 600.0]
        assert read(doc).welds[0].complete_nonbutting

    def test_lists_that_an_editor_turned_into_text(self) -> None:
        doc = document()
        for feature in doc["features"]:
            properties = feature["properties"]
            for key in ("u_at", "point", "direction", "gap_px", "flags"):
                if key in properties:
                    properties[key] = json.dumps(properties[key])
        assert same(read(doc), outline())


class TestDrawn:
    FACE: ClassVar = [[400.0, 400.0], [600.0, 600.0]]
    FUSION: ClassVar = [[600.0, 600.0], [400.0, 610.0], [400.0, 400.0]]

    def test_a_face_and_a_fusion_are_enough(self) -> None:
        got = read(drawn(("face", self.FACE), ("fusion", self.FUSION), joint="tee"))
        weld = got.welds[0]
        assert got.made_by == "drawn by hand"
        assert codes(weld) == ["corrected_by_hand"]
        assert "drawn by hand" in weld.flags[0].text
        assert set(weld.u_face.tolist()) | set(weld.u_fusion.tolist()) == {CLICK_U_PX}
        assert weld.surface_butting is None
        assert weld.complete_butting
        assert weld.complete_nonbutting
        assert weld.correlation_px == pytest.approx((np.hypot(200, 10) + 210) / 2)  # mean distance of its vertices

    def test_the_joint_may_come_from_the_caller(self) -> None:
        doc = drawn(("face", self.FACE), ("fusion", self.FUSION))
        assert read(doc, joint="lap").welds[0].joint == "lap"
        with pytest.raises(
            InputError, match="feature 1 \\(face of weld 0\\) names no joint; add joint tee, lap or bead"
        ):
            read(doc)

    def test_wrapped_and_three_dimensional_geometry(self) -> None:
        doc = drawn(("face", [[*p, 0.0] for p in self.FACE]), ("fusion", self.FUSION), joint="tee")
        doc["features"][1]["geometry"] = {"type": "MultiLineString", "coordinates": [self.FUSION]}
        assert read(doc).welds[0].fusion.tolist() == self.FUSION

    def test_doubled_vertices_are_taken_once(self) -> None:
        doc = drawn(("face", [self.FACE[0], *self.FACE, self.FACE[1]]), ("fusion", self.FUSION), joint="tee")
        assert read(doc).welds[0].face.tolist() == self.FACE


def _set(doc: dict[str, Any], path: str, value: object) -> None:
    """Set `features/0/geometry/type` and the like."""
    *way, last = path.split("/")
    node: Any = doc
    for step in way:
        node = node[int(step) if step.isdigit() else step]
    node[int(last) if last.isdigit() else last] = value


MALFORMED: list[tuple[str, object, str]] = [
    ("type", "Feature", "it is not a GeoJSON FeatureCollection"),
    ("features", [], "it holds no features"),
    ("features", {"a": 1}, "it holds no features"),
    ("features/3", 17, "feature 4 is not a GeoJSON Feature"),
    ("features/0/geometry", None, "feature 1 (face of weld 0) has no geometry"),
    ("features/0/geometry/type", "Point", "feature 1 (face of weld 0) must be a LineString, not 'Point'"),
    ("features/0/geometry/coordinates", 3, "feature 1 (face of weld 0) has no coordinates"),
    ("features/0/geometry/coordinates", [[1, 2]], "feature 1 (face of weld 0) has 1 points; at least 2 are needed"),
    ("features/1/geometry/coordinates/1", ["a", 2], "feature 2 (fusion of weld 0) has the position ['a', 2]"),
    ("features/1/geometry/coordinates/1", [float("nan"), 2], "which is not a pair of numbers x, y"),
    ("features/1/geometry/coordinates/1", [True, 2], "which is not a pair of numbers x, y"),
    ("features/1/geometry/coordinates/1", [10**400, 2], "which is not a pair of numbers x, y"),
    ("features/1/geometry/coordinates/1", [9000, 2], "fusion of weld 0) reaches to 9000,2, outside the photo"),
    ("features/0/properties/part", "fase", "feature 1 has the unknown part 'fase'; use one of face, fusion"),
    ("features/0/properties/part", None, "feature 1 has no part"),
    ("features/0/properties/part", ["x"], "feature 1 has the unknown part ['x']"),
    ("features/0/properties", None, "feature 1 has no part"),
    ("features/0/properties/part", "fusion", "is there twice"),
    ("features/0/properties/weld", -1, "feature 1 needs a whole number"),
    ("features/0/properties/weld", None, "feature 1 needs a whole number"),
    ("features/0/properties/weld", 0.5, "feature 1 needs a whole number"),
    ("features/0/properties/joint", "butt", "has the unknown joint 'butt'; use tee, lap or bead"),
    ("features/0/properties/correlation_px", -1, "has correlation_px -1, which must be a number of zero or more"),
    ("features/0/properties/complete_butting", "yes", "has complete_butting 'yes', which must be true or false"),
    ("features/0/properties/gap_px", [1], "has gap_px [1], which must be two numbers"),
    ("features/0/properties/u_at/0", [1, 2], "has the entry [1, 2] in u_at"),
    ("features/0/properties/flags", 5, "has flags that are not a list"),
    ("features/0/properties/flags", [{"code": "nonsense"}], "has the unknown flag 'nonsense'"),
    ("features/0/properties/withheld", [1], "has withheld that is not a table"),
    ("features/0/geometry/coordinates", [[1, 2], [1, 2]], "has all its points on one spot"),
    ("features/2/geometry/coordinates", [[1, 2], [1, 3]], "surface_butting of weld 0) is only 1.0 px long"),
    ("macrocheck/width", 1600, "it belongs to a photo of 1600 x 900 px, not to this one of 1200 x 900 px"),
    ("macrocheck/version", 2, "written by a newer macrocheck"),
    ("macrocheck/format", "other", "does not name the format"),
    ("macrocheck/flags", [{"code": "x"}], "the collection has the unknown flag 'x'"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value", "words"), MALFORMED, ids=[f"{i}" for i in range(len(MALFORMED))])
def test_malformed_files_are_refused_in_one_sentence(path: str, value: object, words: str) -> None:
    doc = document()
    _set(doc, path, value)
    with pytest.raises(InputError, match=re.escape(words)) as caught:
        read(doc)
    assert "\n" not in str(caught.value)


def test_a_missing_fusion_and_an_empty_section_are_named() -> None:
    doc = document()
    doc["features"].remove(part(doc, "fusion"))
    with pytest.raises(InputError, match="weld 0 has no fusion; draw it as a LineString"):
        read(doc)
    with pytest.raises(InputError, match="enclose no weld metal"):
        read(drawn(("face", [[1, 1], [99, 1]]), ("fusion", [[99, 1], [1, 1]]), joint="tee"))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_damage_gives_a_traceback(data: st.DataObject) -> None:
    # Any one value of the file replaced by any JSON value: read, or refused with InputError, nothing else.
    doc = copy.deepcopy(_DOCUMENT)
    node: Any = doc
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(node[key], dict | list) or not node[key] or data.draw(st.integers(0, 5)) == 0:
            break
        node = node[key]
    scalars = st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=5),
        st.sampled_from(["[1]", "fusion"]),
    )
    node[key] = data.draw(st.recursive(scalars, lambda s: st.lists(s, max_size=3) | st.dictionaries(st.text(), s)))
    try:
        got = read(doc)
    except InputError:
        return
    for weld in got.welds:
        assert weld.face[-1].tolist() == weld.fusion[0].tolist()
        assert len(weld.fusion) == len(weld.u_fusion)


_DOCUMENT = document()


class TestFile:
    def test_reads_what_was_written(self, tmp_path: Path) -> None:
        (tmp_path / "a.geojson").write_bytes(outline_bytes(outline()))
        assert same(read_outline(tmp_path / "a.geojson", width=WIDTH, height=HEIGHT), outline())

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", r"is not JSON: Expecting value at line 1, column 1\.$"),
            (b'{"type": "FeatureCollection",\n', r"is not JSON: .* at line 2, column 1\.$"),
            (b"\xff\xfe\xff", r"is not JSON text; give the .outline.geojson"),
            (b"[1]", r"is not a GeoJSON FeatureCollection\.$"),
            (b"[" * 100_000, r"is not JSON text; give the .outline.geojson"),
            (b"\x89PNG\r\n\x1a\n", r"is not JSON text; give the .outline.geojson"),
        ],
    )
    def test_what_is_no_outline(self, tmp_path: Path, content: bytes, words: str) -> None:
        (tmp_path / "a.geojson").write_bytes(content)
        with pytest.raises(InputError, match=words) as caught:
            read_outline(tmp_path / "a.geojson", width=WIDTH, height=HEIGHT)
        assert str(tmp_path / "a.geojson") in str(caught.value)

    def test_missing_and_folder(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="does not exist"):
            read_outline(tmp_path / "a.geojson", width=WIDTH, height=HEIGHT)
        with pytest.raises(InputError, match="is a folder; name the outline file in it"):
            read_outline(tmp_path, width=WIDTH, height=HEIGHT)


def test_geojson_of_the_outline_is_plain_data() -> None:
    json.dumps(outline_to_geojson(outline()), allow_nan=False)
