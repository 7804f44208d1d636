"""What there is to choose, and the queue, as the page is given them; `protocol` says by which route."""

from typing import Literal, TypedDict

from macrocheck.review.protocol_state import Decision, Settings, Word

MarkNeeds = Literal["length", "length or coin", "maybe length", "nothing", "two points"]


class MarkChoice(TypedDict):
    """A kind of reference mark. The text of a mark is `name` alone or `name:LENGTH` ("bar:10mm", "ruler:1mm").

    `needs`: "length", "length or coin" (disc: a diameter or one of `coins`), "maybe length" (card: the check lines
    as measured), "nothing" (density), "two points" (set with the `set_scale` edit). `laid`: whether it is laid
    beside the section, so that `Settings.mark_offset` can be said of it.
    """

    name: str
    form: str
    meaning: str
    needs: MarkNeeds
    coins: list[str]
    laid: bool


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
    """A test record: `id` for `AttachBody.record`, `name` to show, `default` where it was named at the start."""

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
    defaults: Settings
    unit: Literal["mm", "in"]
    who: str
    keep_folder: str
    most_bytes: int
    most_pixels: int
    click_u_px: float
    tile_px: int


class QueueItem(TypedDict):
    """One photo in the queue.

    `stage`: waiting, working, ready, or failed (`problem` says why the file cannot be used at all). `doubts`: how
    many flags ask for a look (those that every photo has, such as one mark only, do not count). `grade`: None where
    not graded. `edited`: changed by hand. `held`: open in some window now. `thumb`: path of a small picture.
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
