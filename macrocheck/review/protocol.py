"""What the page and its server say to each other: every route, every JSON body, every refusal.

The server is `macrocheck review` on this machine, the page is the one it serves. All coordinates are pixels of the
upright photo: x right, y down, pixel centres at whole numbers. All lengths are millimetres, angles degrees, ratios
plain; `text` beside a number is how it is written, in mm and in inches. What is found in files (names, labels,
sentences) is data: show it as text, never as markup.

Getting in
    The printed address `http://127.0.0.1:PORT/?key=KEY` sets a cookie (HttpOnly, SameSite=Strict) and sends on to
    `/`. Every other request needs that cookie, our own `Host`, and where the browser sends them our own `Origin` and
    a `Sec-Fetch-Site` of `same-origin` (or `none` for the page itself). Every request that is not a GET needs the
    `Origin`. The page has nothing to do for that but use `fetch` with paths.

Refusals
    Status 4xx or 5xx with `Problem`: {"code": ..., "text": one sentence for the user, ...}. Codes: `no_entry` 403,
    `not_found` 404, `bad_request` 400, `cannot` 422 (the edit cannot be made as it stands; nothing changed),
    `too_large` 413, `stale` 409 (someone else edited since `revision`; the body has `state`), `held` 409 (another
    window has the photo; the body has `held_by`), `fault` 500.

GET  /                                the page
GET  /static/NAME                     its script, style and icons
GET  /api/options                     `Options`: what there is to choose
GET  /api/queue                       `Queue`: the photos, in the order to look at them
POST /api/queue                       `DefaultsBody`: settings for photos still to come and, with `untouched`, for those
                                      that nobody has edited or decided yet -> `Queue`
POST /api/photos?name=NAME            the picture file's bytes as the body -> 201 `QueueItem`; measured in the background
POST /api/limits?name=NAME            the text of a limits file (TOML) as the body -> 201 `LimitChoice`
GET  /api/photos/ID                   `PhotoState`; waits until the photo is measured (first time 1 to 2 s)
GET  /api/photos/ID/view              `PhotoView`: size and tiles, as soon as the picture is read (before it is measured)
GET  /api/photos/ID/tiles/Z/X/Y.jpg   one tile, at most 512 px a side; Z = 0 is the coarsest level (the whole photo in
                                      one tile), each level doubles, the last is the photo pixel for pixel; tile (X, Y)
                                      of a level covers its px from 512 X, 512 Y on; tiles at the edges are cut off
POST /api/photos/ID/claim             `ClaimBody`; send on opening and every 5 s while open -> `Claim`, or 409 `held`.
                                      A claim that is not renewed for 20 s is free. `take_over` takes it from the other
                                      window, whose next claim or edit is refused with `held`.
POST /api/photos/ID/release           `ReleaseBody` -> `Claim`; on leaving the photo (`navigator.sendBeacon` will do)
POST /api/photos/ID/edits             `EditBody` -> `PhotoState` | 409 `stale` | 409 `held` | 422 `cannot`
POST /api/photos/ID/decision          `DecisionBody` -> `PhotoState`; a later edit or undo withdraws the decision
POST /api/photos/ID/save              `SaveBody` -> `Saved`: writes result, outline and overlay into the keep folder
GET  /api/photos/ID/files/KIND        KIND is result.json, outline.geojson or overlay.png: the file as a download
GET  /api/records                     `RecordChoice` list: records in the folders named at the start and the keep folder
POST /api/photos/ID/attach            `AttachBody` -> `Attached` | 422 `cannot` (a reason is missing, say)

Edits
    `EditBody.edit` is one of the `...Edit` types below, told apart by `kind`. `resolution` (photo px per CSS px of
    the screen when the user clicked) widens the stated uncertainty of the click: 1.5 px times the larger of 1 and
    `resolution`. An edit is on the disk before it is answered. The answer is the whole new state; `changed` says
    which quantities moved and `before` what they were, since the edit before it.

Features
    `WeldState.features` is everything there is to draw and to grab. `id` is "WELD/PART" or "WELD/PART/INDEX" (voids
    and indications), good for this revision. `points` is the whole curve; `handles` lists the indices of vertices
    worth showing as grab points (about every 12 to 40 px, denser where it bends). `move_vertex` moves a vertex and
    lets its neighbours follow within `reach_px` (default: the distance to the next handles), so a dense curve stays
    smooth. The first and last point of face and fusion boundary are the toes: move them with `move_point`. A surface
    has two points, its ends, which `move_vertex` moves with index 0 or 1.
"""

from typing import Literal, NotRequired, TypedDict

Xy = list[float]
"""[x, y] px of the upright photo."""

JointWord = Literal["tee", "lap", "bead"]
Word = Literal["accept", "undecided", "reject"]

# --- refusals ---------------------------------------------------------------------------------------------------


class Problem(TypedDict):
    """Every refusal. `state` with code `stale`, `held_by` with code `held`."""

    code: Literal["no_entry", "not_found", "bad_request", "cannot", "too_large", "stale", "held", "fault"]
    text: str
    state: NotRequired["PhotoState"]
    held_by: NotRequired["Holder"]


# --- what there is to choose --------------------------------------------------------------------------------------


class MarkChoice(TypedDict):
    """A kind of reference mark. The text of a mark is `name` alone or `name:LENGTH` ("bar:10mm", "ruler:1mm").

    `needs`: "length", "length or coin" (disc: a diameter or one of `coins`), "maybe length" (card: the check lines as
    measured), "nothing" (density), "two points" (set with the `set_scale` edit).
    """

    name: str
    form: str
    meaning: str
    needs: Literal["length", "length or coin", "maybe length", "nothing", "two points"]
    coins: list[str]


class LimitRow(TypedDict):
    """One row of a limit set, for reading: which quantities, and the bounds as written."""

    name: str
    quantities: list[str]
    at_least: str | None
    at_most: str | None
    source: str
    note: str


class LimitChoice(TypedDict):
    """A limit set. `id` is what `Settings.limits` holds; `symbols` what the user may give (t, a, z, b, s), in mm or
    as text with a unit; `needed` those of them without which some rows stay undecided."""

    id: str
    title: str
    note: str
    shipped: bool
    symbols: list[str]
    needed: list[str]
    rows: list[LimitRow]


class QuantityMeta(TypedDict):
    """One quantity there is: key, its unit ("mm", "mm2", "deg", "1"), the trade's name and what it means."""

    key: str
    unit: str
    name: str
    meaning: str


class RecordChoice(TypedDict):
    """A test record to attach to: `id` for `AttachBody.record`, `name` to show, `default` where named at the start."""

    id: str
    name: str
    default: bool


class Options(TypedDict):
    """What there is to choose, and the bounds of what may be sent."""

    version: str
    marks: list[MarkChoice]
    joints: list[str]
    limits: list[LimitChoice]
    units: list[str]
    quantities: list[QuantityMeta]
    cautions: list[str]
    defaults: "Settings"
    unit: Literal["mm", "in"]
    who: str
    keep_folder: str
    most_bytes: int
    most_pixels: int
    click_u_px: float
    tile_px: int


class Settings(TypedDict):
    """What a photo is measured with. `given`: symbol -> text with unit ("8mm", "5/16in", "14ga").

    `marks`: as on the command line ("bar:10mm"), [] where none was chosen yet. `limits`: a `LimitChoice.id` or None.
    `guard`: multiple of U95, None for the limits' own. `fusion_threshold`: a length, "0.1mm".
    """

    marks: list[str]
    joint: Literal["auto", "tee", "lap", "bead"]
    limits: str | None
    given: dict[str, str]
    guard: float | None
    fusion_threshold: str


# --- the queue ----------------------------------------------------------------------------------------------------


class Decision(TypedDict):
    """What a person decided about a photo's outline."""

    word: Literal["accept", "look_again"]
    reason: str
    who: str
    at: str


class QueueItem(TypedDict):
    """One photo in the queue.

    `stage`: waiting, working, ready, or failed (`problem` says why the file cannot be used at all). `doubts`: how many
    flags ask for a look (those that every photo has, such as one mark only, do not count). `grade`: None where not
    graded. `edited`: changed by hand. `held`: open in some window now. `thumb`: path of a small picture.
    """

    id: str
    name: str
    stage: Literal["waiting", "working", "ready", "failed"]
    problem: str | None
    doubts: int
    grade: Word | None
    edited: bool
    decision: Decision | None
    held: bool
    attached: bool
    saved: bool
    thumb: str


class Queue(TypedDict):
    """The photos in the order to look at them: undecided ones first, most doubtful first; then the decided ones.

    `last`: the photo that was open last, also before a restart.
    """

    items: list[QueueItem]
    total: int
    accepted: int
    look_again: int
    open: int
    waiting: int
    last: str | None
    defaults: Settings


class DefaultsBody(TypedDict):
    """POST /api/queue. Only what is given changes."""

    settings: dict[str, object]
    untouched: NotRequired[bool]


# --- one photo ----------------------------------------------------------------------------------------------------


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

    `by_hand`: a person changed or drew it. `hand`: indices of the vertices a person set. `handles`: vertices to show
    as grab points. `u_px`: standard uncertainty of each vertex (line of face and fusion only, else empty).
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
    hint: Literal["through", "avoid", "root", "toe", "edge"]
    at: Xy


class SpanState(TypedDict):
    """A stretch of a leg under the fusion threshold, as measured: `points` on the fusion boundary, mm from the root.

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
    """One thing a person did: `text` such as "Toe on the butting member moved by 14 px"; undone ones are not listed."""

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


class PhotoState(TypedDict):
    """Everything about one photo at one revision.

    `scale` None: `scale_problem` says why (no mark chosen yet, or not found). `welds` []: `outline_problem` says why.
    `grade` None where no limits are chosen. `made_by`: "found", "found with hints", "corrected by hand" or "drawn by
    hand". `held_by` None: no window has it. `ms`: how long the server worked on it, by part.
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
    ms: dict[str, float]


class Claim(TypedDict):
    """`held_by` None after a release."""

    held_by: Holder | None


class ClaimBody(TypedDict):
    """`window`: a random name the page makes for itself (8 to 64 letters and digits), kept in sessionStorage."""

    window: str
    who: NotRequired[str]
    take_over: NotRequired[bool]


class ReleaseBody(TypedDict):
    """Lets go of a photo."""

    window: str


# --- edits --------------------------------------------------------------------------------------------------------


class MovePointEdit(TypedDict):
    """Drag the joint root, a toe or the end of the unfused land. A toe keeps to its member's surface unless `free`."""

    kind: Literal["move_point"]
    weld: int
    point: Literal["joint_root", "toe_butting", "toe_nonbutting", "seam_end"]
    to: Xy
    free: NotRequired[bool]


class MoveVertexEdit(TypedDict):
    """Drag one vertex of a curve, ring or surface; neighbours within `reach_px` along the curve follow."""

    kind: Literal["move_vertex"]
    feature: str
    index: int
    to: Xy
    reach_px: NotRequired[float]


class AddVertexEdit(TypedDict):
    """Put a vertex after vertex `index` (a ring closes on itself), and let the curve go through it."""

    kind: Literal["add_vertex"]
    feature: str
    index: int
    at: Xy


class RemoveVertexEdit(TypedDict):
    """Take a vertex out; a dense curve loses its neighbours within `reach_px` with it and runs straight there."""

    kind: Literal["remove_vertex"]
    feature: str
    index: int
    reach_px: NotRequired[float]


class RedrawEdit(TypedDict):
    """Replace the stretch of a curve between the places nearest to the stroke's ends by the stroke (2 to 2000 points)."""

    kind: Literal["redraw"]
    feature: str
    points: list[Xy]


class HintEdit(TypedDict):
    """Steer the solver: `pass_through` and `avoid` are about the fusion boundary; `hint` takes any kind.

    The solver draws the boundary anew through all that was clicked; what the hand changed elsewhere stays.
    """

    kind: Literal["pass_through", "avoid", "hint"]
    at: Xy
    hint: NotRequired[Literal["through", "avoid", "root", "toe", "edge"]]


class RemoveHintEdit(TypedDict):
    """Take a hint back (`HintState.index`)."""

    kind: Literal["remove_hint"]
    index: int


class MarkSpanEdit(TypedDict):
    """Mark a stretch of a leg as unfused or fused: from and to are points near it; both snap to the member's surface.

    `member` may be left out: the surface nearer to the two points.
    """

    kind: Literal["mark_span"]
    weld: int
    state: Literal["unfused", "fused"]
    start: Xy
    end: Xy
    member: NotRequired[Literal["butting", "nonbutting"]]


class AddVoidEdit(TypedDict):
    """Mark a void: a ring of 3 to 2000 points, or a `centre` and a `radius_px`."""

    kind: Literal["add_void"]
    weld: int
    points: NotRequired[list[Xy]]
    centre: NotRequired[Xy]
    radius_px: NotRequired[float]


class AddIndicationEdit(TypedDict):
    """Mark a linear indication: a line of 2 to 2000 points."""

    kind: Literal["add_indication"]
    weld: int
    points: list[Xy]


class RemoveEdit(TypedDict):
    """Take a void, an indication, a groove, a HAZ edge, a surface (lap's top) or the end of the land away."""

    kind: Literal["remove"]
    feature: str


class RemoveWeldEdit(TypedDict):
    """Take away a weld that is none."""

    kind: Literal["remove_weld"]
    weld: int


class DrawWeldEdit(TypedDict):
    """Draw a weld where none was found: the joint, its two toes and, but for a bead, the joint root.

    It begins unfused all round with a straight face; `pass_through` does not apply to it, the other edits do. With
    `replace` it takes the place of that weld.
    """

    kind: Literal["draw_weld"]
    joint: JointWord
    toe_butting: Xy
    toe_nonbutting: Xy
    joint_root: NotRequired[Xy]
    replace: NotRequired[int]


class SetScaleEdit(TypedDict):
    """Two ends and the length between them ("10mm", "1/2in"); takes the place of the marks."""

    kind: Literal["set_scale"]
    ends: list[Xy]
    length: str


class SettingsEdit(TypedDict):
    """Choose marks, joint, limits, thicknesses, guard, fusion threshold: only what is given changes.

    Another joint has the outline found anew: what the hand did to the outline before stays one undo away.
    """

    kind: Literal["settings"]
    settings: dict[str, object]


class PlainEdit(TypedDict):
    """`undo` and `redo`, without end; `reset`: back to what the machine found (itself undoable)."""

    kind: Literal["undo", "redo", "reset"]


Edit = (
    MovePointEdit | MoveVertexEdit | AddVertexEdit | RemoveVertexEdit | RedrawEdit | HintEdit | RemoveHintEdit
    | MarkSpanEdit | AddVoidEdit | AddIndicationEdit | RemoveEdit | RemoveWeldEdit | DrawWeldEdit | SetScaleEdit
    | SettingsEdit | PlainEdit
)  # fmt: skip


class EditBody(TypedDict):
    """POST edits. `revision`: the one the page shows."""

    revision: int
    window: str
    edit: Edit
    resolution: NotRequired[float]
    who: NotRequired[str]


class DecisionBody(TypedDict):
    """POST decision; `word` None withdraws it. `look_again` needs a reason."""

    revision: int
    window: str
    word: Literal["accept", "look_again"] | None
    reason: NotRequired[str]
    who: NotRequired[str]


# --- keeping it ---------------------------------------------------------------------------------------------------


class SaveBody(TypedDict):
    """POST save."""

    revision: int
    window: str


class Saved(TypedDict):
    """Where the files are (shown, not for opening) and the new state."""

    folder: str
    files: list[str]
    state: PhotoState


class AttachBody(TypedDict):
    """POST attach. `record`: a `RecordChoice.id`, or `new_record`: the name of one to begin in the keep folder.

    `section`: default the photo's name. `reason`: needed where the coupon's section is on the record already.
    `settings`: welding settings to go with it, name -> text ("amps": "180").
    """

    revision: int
    window: str
    coupon: str
    record: NotRequired[str]
    new_record: NotRequired[str]
    section: NotRequired[str]
    reason: NotRequired[str]
    who: NotRequired[str]
    settings: NotRequired[dict[str, str]]


class Attached(TypedDict):
    """What was put on the record: how many revisions, the last one's hash; and the new state."""

    record: str
    revisions: int
    hash: str | None
    state: PhotoState
