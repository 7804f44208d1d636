"""Surfaces that cannot be those of the joint."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.segment.chains import resample
from macrocheck.segment.lines import Line
from macrocheck.segment.plausible import Ring, plausible, under_surface, without_faces_own, without_strangers
from macrocheck.segment.surfaces import Surfaces


def test_surfaces_that_meet_in_the_air_before_the_face_are_none() -> None:
    face = np.array([[100.0, 40.0], [150.0, 80.0], [200.0, 140.0]])
    fusion = np.array([[200.0, 140.0], [140.0, 150.0], [95.0, 145.0], [90.0, 90.0], [100.0, 40.0]])
    ring = Ring(face, fusion, 2.0)
    assert not ring.before_face(np.array([100.0, 140.0]), 4.0)
    # Behind the weld, as at the end of an unfused root, is no air before it.
    assert not ring.before_face(np.array([70.0, 150.0]), 4.0)
    assert ring.before_face(np.array([190.0, 80.0]), 4.0)
    assert not ring.before_face(np.array([155.0, 80.0]), 4.0)


def test_a_surface_that_runs_along_the_face_is_none() -> None:
    face = np.array([[0.0, 100.0], [50.0, 50.0], [100.0, 0.0]])
    fusion = np.array([[100.0, 0.0], [30.0, -10.0], [-10.0, 30.0], [0.0, 100.0]])
    ring = Ring(face, fusion, 1.0)
    toes = (face[0], face[-1])
    across = Line(np.array([0.0, 150.0]), np.array([0.0, 1.0]), 0.1, 1e-3, -40.0, 40.0)
    right = Surfaces(across, Line(np.array([150.0, 0.0]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0))
    assert without_faces_own(right, np.zeros(2), toes, ring) is right
    # Carried on along the face, the butting surface meets the other one near its toe.
    along_face = np.array([-1.0, 1.02]) / np.hypot(1.0, 1.02)
    wrong = replace(right, butting=replace(across, point=np.array([-20.0, 120.4]), direction=along_face))
    left = without_faces_own(wrong, np.array([98.0, 0.0]), toes, ring)
    assert left.butting is None
    assert left.nonbutting is right.nonbutting


def test_surfaces_nearly_in_one_line_are_not_those_of_a_joint() -> None:
    ring = Ring(np.array([[0.0, 100.0], [100.0, 0.0]]), np.array([[100.0, 0.0], [-10.0, -10.0], [0.0, 100.0]]), 1.0)
    toes = (np.array([0.0, 100.0]), np.array([100.0, 0.0]))
    nonbutting = Line(np.array([150.0, 0.0]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0)
    for angle, sound in ((30.0, False), (90.0, True), (165.0, False)):
        towards = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
        butting = Line(100.0 * towards, towards, 0.2, 2e-3, -40.0, 40.0)
        left, root = plausible(Surfaces(butting, nonbutting), np.zeros(2), toes, ring)
        assert (root is not None) == sound
        assert (left.butting is not None) == sound
        assert left.nonbutting is nonbutting


def test_two_surfaces_alongside_each_other_are_not_both_kept() -> None:
    # The sides of a gap between the members: they meet nowhere, so there is no joint root.
    ring = Ring(np.array([[0.0, 100.0], [100.0, 0.0]]), np.array([[100.0, 0.0], [-10.0, -10.0], [0.0, 100.0]]), 1.0)
    toes = (np.array([0.0, 100.0]), np.array([100.0, 0.0]))
    upper = Line(np.array([150.0, 20.0]), np.array([1.0, 0.0]), 0.2, 2e-3, -40.0, 40.0)
    lower = Line(np.array([150.0, 0.0]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0)
    left, root = plausible(Surfaces(upper, lower), None, toes, ring)
    assert left.butting is None
    assert left.nonbutting is lower
    assert root is None
    # One alone is no pair: it stays.
    alone = Surfaces(upper, None)
    assert plausible(alone, None, toes, ring)[0] is alone


def _face(*corners: tuple[float, float]) -> FloatArray:
    return resample(np.array(corners), 1.0)


def _square_joint() -> Surfaces:
    butting = Line(np.array([0.0, 150.0]), np.array([0.0, 1.0]), 0.1, 1e-3, -40.0, 40.0)
    return Surfaces(butting, Line(np.array([150.0, 0.0]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0))


def test_a_surface_that_the_face_does_not_end_on_is_another_things() -> None:
    both = _square_joint()
    on, off, high, toe = (3.0, 100.0), (20.0, 100.0), (100.0, 20.0), (100.0, 2.0)
    assert without_strangers(both, _face(on, toe), "tee", 1.0) is both
    no_butting = without_strangers(both, _face(off, toe), "tee", 1.0)
    assert no_butting.butting is None
    assert no_butting.nonbutting is both.nonbutting
    no_plate = without_strangers(both, _face(on, high), "tee", 1.0)
    assert no_plate.butting is both.butting
    assert no_plate.nonbutting is None
    # 20 px is little where a map px is 4 of them; and a lap's face may end on the upper plate's rounded corner.
    assert without_strangers(both, _face(off, toe), "tee", 4.0) is both
    assert without_strangers(both, _face(off, toe), "lap", 1.0) is both
    assert without_strangers(both, _face(off, high), "bead", 1.0) is both


def test_a_face_that_goes_on_into_a_groove_beside_its_toe_does_not_pass_the_surface_by() -> None:
    both = _square_joint()
    into_groove = _face((-12.0, 104.0), (0.0, 100.0), (100.0, 2.0))
    assert without_strangers(both, into_groove, "tee", 1.0) is both
    # What lies under the surface ends where the face comes out of it: hypot(12, 4) = 12.6 px from its end.
    assert both.butting is not None
    assert under_surface(into_groove, both.butting, 1.0) == 13
    assert under_surface(into_groove[::-1], both.nonbutting, 1.0) == 0
    # Half the face under a line is no groove's wall: the line is another thing's.
    far = _face((-60.0, 140.0), (0.0, 70.0), (100.0, 2.0))
    assert under_surface(far, both.butting, 1.0) == 0
    assert without_strangers(both, far, "tee", 1.0).butting is None
