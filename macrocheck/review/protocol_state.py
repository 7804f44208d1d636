"""The JSON bodies that the page is given; `protocol` says by which route."""

from typing import Literal, NotRequired, TypedDict

Xy = list[float]
"""[x, y] px of the upright photo."""

JointWord = Literal["tee", "lap", "bead"]
Word = Literal["accept", "undecided", "reject"]


class Problem(TypedDict):
    """Every refusal. `state` with code `stale`, `held_by` with code `held`."""

    code: Literal["no_entry", "not_found", "bad_request", "cannot", "too_large", "stale", "held", "fault"]
    text: str
    state: NotRequired["PhotoState"]
    held_by: NotRequired["Holder"]


class Settings(TypedDict):
    """What a photo is measured with. `given`: symbol -> text with unit ("8mm", "5/16in", "14ga").

    `marks`: as on the command line ("bar:10mm"), [] where none was chosen yet. `limits`: a `LimitChoice.id` or
    None. `guard`: multiple of U95, None for the limits' own. `fusion_threshold`: a length, "0.1mm".
    `mark_offset`: how much nearer to the camera than the section the marks lie ("5mm", negative where further),
    `camera_distance`: from the lens to the section; both or None.
    """

    marks: list[str]
    joint: Literal["auto", "tee", "lap", "bead"]
    limits: str | None
    given: dict[str, str]
    guard: float | None
    fusion_threshold: str
    mark_offset: str | None
    camera_distance: str | None


class Decision(TypedDict):
    """What a person decided about a photo's outline."""

    word: Literal["accept", "look_again"]
    reason: str
    who: str
    at: str


class Level(TypedDict):
    """One level of the tile pyramid: its size in px and how many tiles across and down."""

    width: int
    height: int
    columns: int
    rows: int


class PhotoView(TypedDict):
    """Size of the upright photo and its tile pyramid; `levels[0]` is the coarsest."""

    id: str
    name: str
    width: int
    height: int
    tile_px: int
    levels: list[Level]


class Text(TypedDict):
    """A number as written, in mm and in inches ("5.02 ± 0.06 mm")."""

    mm: str
    inch: str


Value = float | list[float] | list[list[float]] | None


class Before(TypedDict):
    """What a quantity was before the last edit."""

    value: Value
    u: float | None
    U95: float | None
    text: Text


class VerdictState(TypedDict):
    """The verdict of one limit. Draw `value` ± `guard` against `at_least` and `at_most`; `before`: its word before
    the last edit where that differs."""

    limit: str
    quantity: str
    word: Word
    before: Word | None
    at_least: float | None
    at_most: float | None
    unit: str
    value: float | None
    guard: float
    source: str
    text: str
    limit_text: Text


class QuantityState(TypedDict):
    """One quantity of one weld: `value` None with a `reason`. `before`: only where the last edit changed it."""

    key: str
    name: str
    unit: str
    value: Value
    u: float | None
    U95: float | None
    reason: str | None
    text: Text
    before: Before | None
    verdicts: list[VerdictState]


class FlagState(TypedDict):
    """One doubt: zoom to `box` ([x0, y0, x1, y1] px) where it has a place. `weld` None: of the photo or the scale.

    `asks`: it asks for a look (and counts as one of the photo's doubts).
    """

    code: str
    text: str
    where_px: list[Xy]
    box: list[float] | None
    weld: int | None
    asks: bool


class Feature(TypedDict):
    """One thing to draw. `shape`: line (open), ring (closed, first point not repeated), point.

    `by_hand`: a person changed or drew it. `hand`: indices of the vertices a person set. `handles`: vertices to
    show as grab points. `u_px`: standard uncertainty of each vertex (line of face and fusion only, else empty).
    """

    id: str
    weld: int
    part: Literal[
        "face", "fusion", "surface_butting", "surface_nonbutting", "surface_top", "void", "haz_butting",
        "haz_nonbutting", "groove_butting", "groove_nonbutting", "indication", "seam_end",
    ]  # fmt: skip
    shape: Literal["line", "ring", "point"]
    points: list[Xy]
    by_hand: bool
    hand: list[int]
    handles: list[int]
    u_px: list[float]


class HintState(TypedDict):
    """A point that steers the solver; `index` for the `remove_hint` edit."""

    index: int
    hint: Literal["through", "avoid", "root", "toe", "edge", "butting"]
    at: Xy


class SpanState(TypedDict):
    """A stretch of a leg under the fusion threshold, as measured; `points` lie on the fusion boundary.

    `by_hand`: a person marked it so.
    """

    member: Literal["butting", "nonbutting"]
    start_mm: float
    end_mm: float
    points: list[Xy]
    by_hand: bool


class WeldState(TypedDict):
    """One weld: what to draw, what was measured. `joint_root`, toes: None where not in the picture or unknown.

    `found`: the features as the machine found them, before any hint or hand; never changes while the photo and the
    joint stay. `u_root_px`: None without a root.
    """

    index: int
    joint: JointWord
    joint_root: Xy | None
    toe_butting: Xy | None
    toe_nonbutting: Xy | None
    features: list[Feature]
    found: list[Feature]
    spans: list[SpanState]
    quantities: list[QuantityState]
    changed: list[str]
    confirmable: bool


class MarkState(TypedDict):
    """A mark as found: `ends` to grab (None where the kind has none), `length` between them as text ("10mm")."""

    kind: str
    text: str
    points: list[Xy]
    ends: list[Xy] | None
    length: str | None
    mm_per_px: float
    u_rel: float


class ScaleState(TypedDict):
    """The scale: mm per px, its relative standard uncertainty, how it was had, and the marks it rests on."""

    mm_per_px: float
    u_rel: float
    method: str
    marks: list[MarkState]
    by_hand: bool


class Change(TypedDict):
    """One thing a person did: `text` such as "Toe on the butting member moved by 14 px"; none that is undone."""

    revision: int
    kind: str
    text: str
    who: str
    at: str
    points: list[Xy]


class Holder(TypedDict):
    """The window that has a photo: seconds since it last said so."""

    window: str
    who: str
    seconds: float


class OnRecord(TypedDict):
    """Where a photo stands on a record that was opened; it is attached there again where nothing else is said."""

    record: str
    coupon: str
    section: str


class PhotoState(TypedDict):
    """Everything about one photo at one revision.

    `scale` None: `scale_problem` says why (no mark chosen yet, or not found). `welds` []: `outline_problem` says
    why. `grade` None where no limits are chosen. `made_by`: "found", "found with hints", "corrected by hand" or
    "drawn by hand". `held_by` None: no window has it. `ms`: how long the server worked on it, by part.
    """

    id: str
    name: str
    revision: int
    view: PhotoView
    settings: Settings
    scale: ScaleState | None
    scale_problem: str | None
    welds: list[WeldState]
    outline_problem: str | None
    made_by: str
    joint: JointWord | None
    hints: list[HintState]
    flags: list[FlagState]
    grade: Word | None
    grade_before: Word | None
    limits_title: str | None
    rule: str | None
    notes: list[str]
    cautions: list[str]
    changes: list[Change]
    decision: Decision | None
    can_undo: bool
    can_redo: bool
    undo_text: str | None
    redo_text: str | None
    held_by: Holder | None
    saved: list[str]
    attached: list[str]
    on_record: OnRecord | None
    ms: dict[str, float]


class Claim(TypedDict):
    """`held_by` None after a release."""

    held_by: Holder | None


class Saved(TypedDict):
    """Where the files are (shown, not for opening) and the new state."""

    folder: str
    files: list[str]
    state: PhotoState


class Attached(TypedDict):
    """What was put on the record: how many revisions, the last one's hash; and the new state."""

    record: str
    revisions: int
    hash: str | None
    state: PhotoState
