"""The JSON bodies that the page sends; `protocol` says by which route."""

from typing import Literal, NotRequired, TypedDict

from macrocheck.review.protocol_state import JointWord, Xy


class MovePointEdit(TypedDict):
    """Drag the joint root, a toe or the end of the unfused land. A toe keeps to its surface unless `free`."""

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
    """Replace the stretch of a curve between the places nearest to a stroke's ends by it (2 to 2000 points).

    A stroke along the face or the fusion boundary that begins or ends beyond a toe moves the toe there. A surface
    is laid straight through the stroke, also where there was none; HAZ edges and grooves are begun likewise.
    """

    kind: Literal["redraw"]
    feature: str
    points: list[Xy]


class HintEdit(TypedDict):
    """Steer the solver: `pass_through` and `avoid` are about the fusion boundary; `hint` takes any kind.

    The solver draws the boundary anew through all that was clicked; what the hand changed elsewhere stays.
    """

    kind: Literal["pass_through", "avoid", "hint"]
    at: Xy
    hint: NotRequired[Literal["through", "avoid", "root", "toe", "edge", "butting"]]


class RemoveHintEdit(TypedDict):
    """Take a hint back (`HintState.index`)."""

    kind: Literal["remove_hint"]
    index: int


class MarkSpanEdit(TypedDict):
    """Mark a stretch of a leg as unfused or fused: `start` and `end` snap to the member's surface.

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


class ConfirmEdit(TypedDict):
    """Take a weld's outline as right as it stands: its doubts are answered, what they withheld is given."""

    kind: Literal["confirm"]
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
    | MarkSpanEdit | AddVoidEdit | AddIndicationEdit | RemoveEdit | RemoveWeldEdit
    | ConfirmEdit | DrawWeldEdit | SetScaleEdit
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


class DefaultsBody(TypedDict):
    """POST /api/queue. Only what is given changes; `drop`: ids of photos to take off the desk."""

    settings: NotRequired[dict[str, object]]
    untouched: NotRequired[bool]
    drop: NotRequired[list[str]]


class ClaimBody(TypedDict):
    """`window`: a random name the page makes for itself (8 to 64 letters and digits), kept in sessionStorage."""

    window: str
    who: NotRequired[str]
    take_over: NotRequired[bool]


class ReleaseBody(TypedDict):
    """Lets go of a photo."""

    window: str


class SaveBody(TypedDict):
    """POST save."""

    revision: int
    window: str


class AttachBody(TypedDict):
    """POST attach. `record`: a `RecordChoice.id`, or `new_record`: the name of one to begin in the keep folder.

    A photo of a record goes back to its own record, coupon and section where these are left out (`on_record`).
    `section`: else by default the photo's name. `reason`: needed where the coupon's section is on the record.
    `settings`: welding settings to go with it, name -> text ("amps": "180").
    """

    revision: int
    window: str
    coupon: NotRequired[str]
    record: NotRequired[str]
    new_record: NotRequired[str]
    section: NotRequired[str]
    reason: NotRequired[str]
    who: NotRequired[str]
    settings: NotRequired[dict[str, str]]
