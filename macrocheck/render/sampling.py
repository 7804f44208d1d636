"""Random sections: what welds on a bench look like, from sound to badly wrong."""

from dataclasses import replace

import numpy as np

from macrocheck.render.section import DepthShape, SectionJoint, SectionSpec, WeldSpec


def _shape(rng: np.random.Generator, leg: float, wild: float) -> DepthShape:
    depth = leg * float(
        rng.choice([rng.uniform(0.03, 0.15), rng.uniform(0.1, 0.35), rng.uniform(0.3, 0.6)], p=[0.35, 0.5, 0.15])
    )
    kind = rng.random()
    root, toe, middle = 0.0, 0.0, None
    if kind < 0.10 * wild:
        toe = leg * rng.uniform(0.1, 0.6)
    elif kind < 0.22 * wild:
        root = leg * rng.uniform(0.1, 0.6)
    elif kind < 0.27 * wild:
        a = leg * rng.uniform(0.25, 0.5)
        middle = (a, a + leg * rng.uniform(0.12, 0.3))
    elif kind < 0.32 * wild:
        root = leg
    return DepthShape(
        depth=depth,
        peak=rng.uniform(0.25, 0.75),
        fullness=rng.uniform(0.5, 1.3),
        finger=leg * rng.uniform(0.05, 0.35) if rng.random() < 0.15 else 0.0,
        unfused_root=root,
        unfused_toe=toe,
        unfused_middle=middle,
        wobble=rng.uniform(0.0, 0.12),
    )


def sample_weld(
    rng: np.random.Generator, *, size: float, psi: float, thickness: float, joint: SectionJoint, wild: float
) -> WeldSpec:
    """Draw one weld of about `size` mm leg; `wild` 0 keeps to sound welds, 1 shows every fault."""
    ratio = float(np.exp(rng.normal(0, 0.18)))
    leg_b, leg_n = size * ratio**0.5, size / ratio**0.5
    top = 0.0
    if joint == "lap":
        edge = thickness / np.sin(np.deg2rad(psi))
        if leg_b > edge * 0.97 or rng.random() < 0.35:
            leg_b = edge
            if rng.random() < 0.6:
                top = thickness * rng.uniform(0.05, 0.5)
    b, n = _shape(rng, leg_b, wild), _shape(rng, leg_n, wild)
    rp, bridge = 0.0, None
    sound_root = b.unfused_root == 0 and n.unfused_root == 0
    if sound_root and rng.random() > 0.25 * wild:
        rp = size * float(
            rng.choice(
                [rng.uniform(0.02, 0.1), rng.uniform(0.08, 0.3), rng.uniform(0.25, 0.5)], p=[0.4, 0.45, 0.15]
            )
        )
        rp = min(rp, 0.45 * thickness) if joint == "tee" else rp
    elif rng.random() < 0.3 * wild:
        c = size * rng.uniform(0.05, 0.3)
        bridge = (c * rng.uniform(0.6, 1.4), c * rng.uniform(0.6, 1.4))
        bridge = (min(bridge[0], 0.6 * leg_b), min(bridge[1], 0.6 * leg_n))
        b, n = (
            replace(b, unfused_root=max(b.unfused_root, bridge[0])),
            replace(n, unfused_root=max(n.unfused_root, bridge[1])),
        )
    convexity = float(
        rng.choice([rng.uniform(-0.1, 0.0), rng.uniform(0.0, 0.1), rng.uniform(0.08, 0.25)], p=[0.3, 0.45, 0.25])
    )
    turn_b = turn_n = None
    if rng.random() < 0.08 * wild and n.unfused_toe > 0:
        turn_n, convexity = rng.uniform(50, 85), max(convexity, 0.15)
    if rng.random() < 0.08 * wild and b.unfused_toe > 0 and top == 0:
        turn_b, convexity = rng.uniform(50, 85), max(convexity, 0.15)
    if top > 0:
        turn_b = rng.uniform(140, 175)

    def groove(chance: float) -> tuple[float, float] | None:
        return (rng.uniform(0.1, 0.9), rng.uniform(0.6, 2.2)) if rng.random() < chance * wild else None

    voids = []
    if rng.random() < 0.15 * wild:
        for _ in range(int(rng.integers(1, 5))):
            f, g_ = rng.uniform(0.15, 0.45, 2)
            r = size * rng.uniform(0.012, 0.06)
            voids.append(
                (f * leg_n, g_ * leg_b * np.sin(np.deg2rad(psi)), r * rng.uniform(0.7, 1.4), r, rng.uniform(0, 180))
            )
    return WeldSpec(
        leg_butting=leg_b,
        leg_nonbutting=leg_n,
        butting=b,
        nonbutting=n,
        convexity=convexity,
        face_skew=rng.uniform(-0.5, 0.5),
        toe_angle_butting=turn_b,
        toe_angle_nonbutting=turn_n,
        root_penetration=rp,
        bridge=bridge,
        top_melt=top,
        undercut_butting=groove(0.18) if top == 0 and joint != "lap" else None,
        undercut_nonbutting=groove(0.12),
        voids=tuple(voids),
        passes=int(rng.choice([1, 2, 3, 4], p=[0.72, 0.1, 0.13, 0.05])),
        ripple=rng.uniform(0.0, 0.02),
        haz_butting=size * rng.uniform(0.06, 0.35),
        haz_nonbutting=size * rng.uniform(0.06, 0.35),
    )


def sample_spec(
    rng: np.random.Generator,
    *,
    wild: float = 1.0,
    joints: tuple[SectionJoint, ...] = ("tee", "lap"),
    skewed: float = 0.3,
) -> SectionSpec:
    """Draw a section; `joints` are equally likely, `skewed` is the share of tees away from 90 degrees."""
    joint = joints[int(rng.integers(len(joints)))]
    psi = 90.0 + float(rng.normal(0, 1.0))
    if joint != "lap" and rng.random() < skewed:
        psi = rng.uniform(60, 135)
    elif joint == "lap":
        psi = 90.0 + float(rng.normal(0, 4.0))
    size = float(np.exp(rng.uniform(np.log(3.0), np.log(12.0))))
    t_b = size * rng.uniform(0.8, 2.2) if joint != "lap" else size * rng.uniform(0.75, 1.4)
    t_n = size * rng.uniform(0.8, 2.5)
    count = 2 if joint == "tee" and rng.random() < 0.4 else 1
    welds = []
    for i in range(count):
        own = psi if i == 0 else 180 - psi
        # An obtuse side takes shorter legs, as the same throat needs.
        factor = float(np.clip(np.sin(np.deg2rad(45)) / np.sin(np.deg2rad(own / 2)), 0.75, 1.3))
        welds.append(
            sample_weld(
                rng, size=size * factor * rng.uniform(0.85, 1.15), psi=own, thickness=t_b, joint=joint, wild=wild
            )
        )
    if len(welds) == 2:
        total = sum(w.root_penetration for w in welds)
        limit = 0.85 * t_b / np.sin(np.deg2rad(psi))
        if total > limit:
            welds = [replace(w, root_penetration=w.root_penetration * limit / total) for w in welds]
    gap = 0.0
    if joint != "bead" and all(w.bridge is None for w in welds) and rng.random() < 0.2 * wild:
        gap = rng.uniform(0.05, 1.0) * min(1.0, size / 6)
    return SectionSpec(
        joint=joint,
        psi=psi,
        thickness_butting=t_b,
        thickness_nonbutting=t_n,
        welds=tuple(welds),
        gap=gap,
        reach=size * rng.uniform(2.5, 6),
        overhang=size * rng.uniform(1.0, 5),
        edge_radius=float(rng.choice([0.0, rng.uniform(0.1, 1.2)])),
        seed=int(rng.integers(2**31)),
    )
