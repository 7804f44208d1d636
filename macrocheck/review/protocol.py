"""What the page and its server say to each other: every route, every JSON body, every refusal.

The server is `macrocheck review` on this machine, the page is the one it serves. All coordinates are pixels of the
upright photo: x right, y down, pixel centres at whole numbers. All lengths are millimetres, angles degrees, ratios
plain; `text` beside a number is how it is written, in mm and in inches. What is found in files (names, labels,
sentences) is data: show it as text, never as markup. What the server says is in `protocol_state` and
`protocol_choices`, what it is asked in `protocol_edits`.

Getting in
    The printed address `http://127.0.0.1:PORT/?key=KEY` sets a cookie (HttpOnly, SameSite=Strict) and goes on to
    `/`. Every other request needs that cookie, our own `Host`, and where the browser sends them our own `Origin`
    and a `Sec-Fetch-Site` of `same-origin`. Every request that is not a GET needs the `Origin`. The page has
    nothing to do for that but use `fetch` with paths.

Refusals
    Status 4xx or 5xx with `Problem`: {"code": ..., "text": one sentence for the user, ...}. Codes: `no_entry` 403,
    `not_found` 404, `bad_request` 400, `cannot` 422 (the edit cannot be made as it stands; nothing changed),
    `too_large` 413, `stale` 409 (someone else edited since `revision`; the body has `state`), `held` 409 (another
    window has the photo; the body has `held_by`), `fault` 500.

GET /
    the page
GET /static/NAME
    its script, style and icons
GET /api/options
    `Options`: what there is to choose
GET /api/queue
    `Queue`: the photos, in the order to look at them
POST /api/queue
    `DefaultsBody`: settings for photos still to come and, with `untouched`, for those that nobody has edited or
    decided yet -> `Queue`
POST /api/photos?name=NAME
    the picture file's bytes as the body -> 201 `QueueItem`; measured in the background
POST /api/limits?name=NAME
    the text of a limits file (TOML) as the body -> 201 `LimitChoice`
GET /api/photos/ID
    `PhotoState`; waits until the photo is measured (first time 1 to 2 s)
GET /api/photos/ID/view
    `PhotoView`: size and tiles, as soon as the picture is read (before it is measured)
GET /api/photos/ID/tiles/Z/X/Y.jpg
    one tile, at most 512 px a side; Z = 0 is the coarsest level (the whole photo in one tile), each level
    doubles, the last is the photo pixel for pixel; tile (X, Y) of a level covers its px from 512 X, 512 Y on;
    tiles at the edges are cut off
GET /api/photos/ID/thumb.jpg
    a small picture of the photo, at most 256 px a side
POST /api/photos/ID/claim
    `ClaimBody`; send on opening and every 5 s while open -> `Claim`, or 409 `held`. A claim that is not renewed
    for 20 s is free. `take_over` takes it from the other window, whose next claim or edit is refused with
    `held`.
POST /api/photos/ID/release
    `ReleaseBody` -> `Claim`; on leaving the photo (`navigator.sendBeacon` will do)
POST /api/photos/ID/edits
    `EditBody` -> `PhotoState` | 409 `stale` | 409 `held` | 422 `cannot`
POST /api/photos/ID/decision
    `DecisionBody` -> `PhotoState`; a later edit or undo withdraws the decision
POST /api/photos/ID/save
    `SaveBody` -> `Saved`: writes result, outline and overlay into the keep folder
GET /api/photos/ID/files/KIND
    KIND is result.json, outline.geojson or overlay.png: the file as a download
GET /api/records
    `RecordChoice` list: records in the folders named at the start and the keep folder
POST /api/photos/ID/attach
    `AttachBody` -> `Attached` | 422 `cannot` (a reason is missing, say)

Edits
    `EditBody.edit` is one of the `...Edit` types in `protocol_edits`, told apart by `kind`. `resolution` (photo px
    per CSS px of the screen when the user clicked) widens the stated uncertainty of the click: 1.5 px times the
    larger of 1 and `resolution`. An edit is on the disk before it is answered. The answer is the whole new state;
    `changed` says which quantities moved and `before` what they were, since the edit before it.

Features
    `WeldState.features` is everything there is to draw and to grab. `id` is "WELD/PART" or "WELD/PART/INDEX" (voids
    and indications), good for this revision. `points` is the whole curve; `handles` lists the indices of vertices
    worth showing as grab points (about every 12 to 40 px, denser where it bends). `move_vertex` moves a vertex and
    lets its neighbours follow within `reach_px` (default: the distance to the next handles), so a dense curve stays
    smooth. The first and last point of face and fusion boundary are the toes: move them with `move_point`. A
    surface has two points, its ends, which `move_vertex` moves with index 0 or 1.
"""

from macrocheck.review.protocol_choices import (
    LimitChoice,
    LimitRow,
    MarkChoice,
    Options,
    QuantityMeta,
    Queue,
    QueueItem,
    RecordChoice,
)
from macrocheck.review.protocol_edits import (
    AddIndicationEdit,
    AddVertexEdit,
    AddVoidEdit,
    AttachBody,
    ClaimBody,
    DecisionBody,
    DefaultsBody,
    DrawWeldEdit,
    Edit,
    EditBody,
    HintEdit,
    MarkSpanEdit,
    MovePointEdit,
    MoveVertexEdit,
    PlainEdit,
    RedrawEdit,
    ReleaseBody,
    RemoveEdit,
    RemoveHintEdit,
    RemoveVertexEdit,
    RemoveWeldEdit,
    SaveBody,
    SetScaleEdit,
    SettingsEdit,
)
from macrocheck.review.protocol_state import (
    Attached,
    Before,
    Change,
    Claim,
    Decision,
    Feature,
    FlagState,
    HintState,
    Holder,
    JointWord,
    Level,
    MarkState,
    PhotoState,
    PhotoView,
    Problem,
    QuantityState,
    Saved,
    ScaleState,
    Settings,
    SpanState,
    Text,
    Value,
    VerdictState,
    WeldState,
    Word,
    Xy,
)

__all__ = [
    "AddIndicationEdit",
    "AddVertexEdit",
    "AddVoidEdit",
    "AttachBody",
    "Attached",
    "Before",
    "Change",
    "Claim",
    "ClaimBody",
    "Decision",
    "DecisionBody",
    "DefaultsBody",
    "DrawWeldEdit",
    "Edit",
    "EditBody",
    "Feature",
    "FlagState",
    "HintEdit",
    "HintState",
    "Holder",
    "JointWord",
    "Level",
    "LimitChoice",
    "LimitRow",
    "MarkChoice",
    "MarkSpanEdit",
    "MarkState",
    "MovePointEdit",
    "MoveVertexEdit",
    "Options",
    "PhotoState",
    "PhotoView",
    "PlainEdit",
    "Problem",
    "QuantityMeta",
    "QuantityState",
    "Queue",
    "QueueItem",
    "RecordChoice",
    "RedrawEdit",
    "ReleaseBody",
    "RemoveEdit",
    "RemoveHintEdit",
    "RemoveVertexEdit",
    "RemoveWeldEdit",
    "SaveBody",
    "Saved",
    "ScaleState",
    "SetScaleEdit",
    "Settings",
    "SettingsEdit",
    "SpanState",
    "Text",
    "Value",
    "VerdictState",
    "WeldState",
    "Word",
    "Xy",
]
