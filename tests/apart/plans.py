"""Random joints: what the section of one picture is to be like, in mm."""

from dataclasses import replace

import numpy as np

from tests.apart.scene import SectionPlan, Span, WeldPlan, groove_width


def draw_section(look: str, rng: np.random.Generator) -> SectionPlan:
    """Draw the joint and its welds for one picture."""
    if rng.random() < 0.38:
        return _lap(look, rng)
    return _tee(look, rng)


def _angle(look: str, rng: np.random.Generator) -> float:
    share = {"fair": 0.15, "grain": 0.25, "hard": 0.45}[look]
    if rng.random() < share:
        return float(rng.uniform(60, 135) if look == "hard" else rng.uniform(70, 120))
    return float(90 + rng.normal(0, 1.2))


def _tee(look: str, rng: np.random.Generator) -> SectionPlan:
    psi = _angle(look, rng)
    leg = float(rng.uniform(3, 12))
    t_b = float(np.clip(leg * rng.uniform(0.7, 2.0), 2.0, 20))
    t_n = float(np.clip(leg * rng.uniform(0.8, 2.2), 2.0, 22))
    both = 60 <= 180 - psi <= 135 and rng.random() < 0.4
    gap = float(rng.uniform(0.2, 1.5)) if rng.random() < 0.13 else 0.0
    land = t_b / np.sin(np.radians(psi))
    welds = [_weld(look, leg, psi, t_n, land * (0.46 if both else 0.85), gap, rng)]
    if both:
        welds.append(_weld(look, leg * rng.uniform(0.85, 1.15), 180 - psi, t_n, land * 0.46, gap, rng))
    right = leg * rng.uniform(1.8, 6)
    left = land + leg * rng.uniform(1.6, 6)
    up = leg * rng.uniform(1.9, 6)
    return _rough(
        SectionPlan(
            joint="tee", psi_deg=psi, t_b=t_b, t_n=t_n, gap=gap, welds=tuple(welds), reach_right=right,
            reach_left=left, reach_up=up,
        ),
        look, rng,
    )  # fmt: skip


def _lap(look: str, rng: np.random.Generator) -> SectionPlan:
    psi = float(90 + rng.normal(0, 2.0))
    leg = float(rng.uniform(3, 12))
    melted = rng.random() < {"fair": 0.08, "grain": 0.3, "hard": 0.35}[look]
    t_b = leg if melted else leg * float(rng.uniform(1.12, 1.7))
    t_n = float(np.clip(t_b * rng.uniform(0.7, 1.8), 2.0, 20))
    gap = float(rng.uniform(0.15, 0.9)) if rng.random() < 0.15 and not melted else 0.0
    weld = _weld(look, leg, psi, t_n, 2.5, gap, rng)
    if melted:
        top = t_b / float(np.sin(np.radians(psi)))
        back = leg * float(rng.uniform(0.05, 0.5))
        weld = replace(
            weld, leg_b=top, leg_n=leg * float(rng.uniform(0.9, 1.7)), melted_back=back, cold_b=(), over_b=0.0,
            groove_b=0.0, shortfall=0.0, penetration=leg * float(rng.uniform(0.08, 0.5)),
            depth_b=leg * float(rng.uniform(0.0, 0.12)), bulge=leg * float(rng.uniform(0.12, 0.33)),
        )  # fmt: skip
    else:
        t_b = max(t_b, least_upper_plate(weld, psi, gap))
    return _rough(
        SectionPlan(
            joint="lap", psi_deg=psi, t_b=t_b, t_n=t_n, gap=gap, welds=(weld,), reach_right=leg * rng.uniform(2, 6),
            reach_left=leg * rng.uniform(2, 6), reach_up=0.0,
        ),
        look, rng,
    )  # fmt: skip


def least_upper_plate(weld: WeldPlan, psi: float, gap: float) -> float:
    """Return how thick a lap's upper plate must be for its end face to hold the toe and a groove beyond it, mm."""
    beyond = groove_width(weld.groove_b) if weld.groove_b > 0 else 0.02 * weld.leg_b
    return (weld.leg_b + beyond) * float(np.sin(np.radians(psi))) - gap


def _rough(plan: SectionPlan, look: str, rng: np.random.Generator) -> SectionPlan:
    rough = {"fair": rng.uniform(0, 0.008), "grain": rng.uniform(0.002, 0.02), "hard": rng.uniform(0.003, 0.035)}[
        look
    ]
    bend = rng.normal(0, 0.04) if look != "fair" and rng.random() < 0.4 else 0.0
    return replace(plan, rough=float(rough), bend=float(bend))


def _weld(
    look: str, leg: float, psi: float, t_n: float, room: float, gap: float, rng: np.random.Generator
) -> WeldPlan:
    """Draw one weld; `room`: most root penetration there is place for, mm."""
    skew = float(np.exp(rng.normal(0, 0.16)))
    leg_b, leg_n = float(np.clip(leg * skew, 2.5, 12.5)), float(np.clip(leg / skew, 2.5, 12.5))
    least = min(leg_b, leg_n)
    toe_b = leg_b * np.array([np.cos(np.radians(psi)), np.sin(np.radians(psi))])
    chord = np.array([leg_n, 0.0]) - toe_b
    length = float(np.hypot(*chord))
    at_n = float(np.arccos(np.clip(-chord @ np.array([-1.0, 0]) / length, -1, 1)))
    inner = min(at_n if at_n < np.pi / 2 else np.pi - at_n, np.pi - np.radians(psi) - at_n)
    low = -0.2 * length * np.tan(max(0.1, 0.72 * inner))
    bulge = float(np.clip(rng.normal(0.04, 0.075) * length, max(low, -0.12 * length), 0.22 * length))
    depth_n = float(min(rng.uniform(0.03, 0.42) * leg, 0.7 * t_n))
    depth_b = float(rng.uniform(0.03, 0.32) * leg)
    pick = rng.random()
    penetration = 0.0 if pick < 0.3 and gap == 0 else float(min(rng.uniform(0.1, 0.45) * leg, room))
    plan = WeldPlan(
        leg_b=leg_b, leg_n=leg_n, bulge=bulge, bulge_lean=float(rng.uniform(-0.25, 0.25)), depth_b=depth_b,
        depth_n=depth_n, lean_b=float(rng.uniform(0.75, 1.35)), lean_n=float(rng.uniform(0.75, 1.35)),
        round_b=float(rng.uniform(0.55, 0.95)), round_n=float(rng.uniform(0.55, 0.95)),
        penetration=penetration, ripple=float(rng.uniform(0, 0.012) * leg),
        wave=float(rng.uniform(0, 0.03) / max(0.3 * leg, 1.0)),
    )  # fmt: skip
    pick = rng.random()
    if pick < 0.16:
        plan = replace(plan, cold_b=_cold(leg_b, rng), depth_b=min(depth_b, 0.15 * leg))
    elif pick < 0.3:
        plan = replace(plan, cold_n=_cold(leg_n, rng), depth_n=min(depth_n, 0.2 * leg))
    elif pick < 0.36 and gap == 0:
        plan = replace(plan, penetration=0.0, shortfall=float(rng.uniform(0.05, 0.16) * least))
    if any(a <= 0.2 for a, _ in (*plan.cold_b, *plan.cold_n)) and gap == 0:
        plan = replace(plan, penetration=0.0)
    if plan.penetration == 0:  # a boundary that leaves the root at an angle, not along the faying surface
        plan = replace(
            plan, round_b=max(plan.round_b, 0.95 / plan.lean_b), round_n=max(plan.round_n, 0.95 / plan.lean_n)
        )
    spare = rng.random()
    if spare < 0.06 and not plan.cold_n:
        over = float(rng.uniform(0.08, 0.2) * leg_n)
        plan = replace(plan, over_n=over, cold_n=((leg_n - over, leg_n + 1),))
    elif spare < 0.1 and not plan.cold_b:
        over = float(rng.uniform(0.08, 0.18) * leg_b)
        plan = replace(plan, over_b=over, cold_b=((leg_b - over, leg_b + 1),))
    elif spare < 0.2:
        plan = replace(plan, groove_b=float(rng.uniform(0.15, 0.8)))
    elif spare < 0.27:
        plan = replace(plan, groove_n=float(rng.uniform(0.15, 0.8)))
    if rng.random() < (0.12 if look == "fair" else 0.2):
        holes = tuple(
            (float(rng.uniform(0.05, 0.6) * leg), float(rng.uniform(0.0, 0.5) * leg), float(rng.uniform(0.08, 0.5)),
             float(rng.uniform(0.6, 1)))
            for _ in range(int(rng.integers(1, 4)))
        )  # fmt: skip
        plan = replace(plan, voids=holes)
    return plan


def _cold(leg: float, rng: np.random.Generator) -> tuple[Span, ...]:
    pick, share = rng.random(), float(rng.uniform(0.15, 0.6))
    if pick < 0.5:
        return ((leg * (1 - share), leg + 1),)
    if pick < 0.8:
        return ((-1.0, leg * share * 0.8),)
    if pick < 0.9:
        start = float(rng.uniform(0.2, 0.5)) * leg
        return ((start, start + 0.4 * share * leg + 0.4),)
    return ((-1.0, leg + 1),)
