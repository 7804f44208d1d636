"""The routes of `protocol`: each reads its request, asks the desk, and answers."""

import json
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from macrocheck.errors import MacrocheckError
from macrocheck.paths import shown
from macrocheck.review.case import Case
from macrocheck.review.desk import Desk
from macrocheck.review.folder import TooLargeError, plain_name
from macrocheck.review.keeping import KINDS, Records, attach_to, file_of, save
from macrocheck.review.options import MOST_BYTES, limit_choice, options
from macrocheck.review.refusal import STATUS, Code, RefusedError, checked_text, checked_window, refuse
from macrocheck.review.wording import page_words
from macrocheck.units import LengthUnit

_MOST_JSON = 2_000_000
_MOST_LIMITS = 1_000_000
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".txt": "text/plain; charset=utf-8",
}
_KIND_TYPES = {
    "result.json": "application/json",
    "outline.geojson": "application/geo+json",
    "overlay.png": "image/png",
}


@cache
def _static_files() -> dict[str, bytes]:
    """Return the page's files by name: nothing else in the package can be asked for."""
    folder = resources.files("macrocheck.review") / "static"
    if not folder.is_dir():
        return {}
    files = (f for f in folder.iterdir() if f.is_file())
    return {f.name: f.read_bytes() for f in files if "." + f.name.rpartition(".")[2] in _TYPES}


@dataclass(frozen=True, slots=True)
class Server:
    """The desk and what its answers need besides."""

    desk: Desk
    records: Records
    unit: LengthUnit

    # --- the page -------------------------------------------------------------------------------------------------

    async def page(self, _: Request) -> Response:
        """Answer with the page."""
        return _static("index.html")

    async def static(self, request: Request) -> Response:
        """Answer with one of the page's files."""
        return _static(request.path_params["name"])

    # --- the desk -------------------------------------------------------------------------------------------------

    async def options(self, _: Request) -> Response:
        """Answer with what there is to choose."""
        found = await run_in_threadpool(options, self.desk, self.unit, shown(self.desk.keep.path))
        return JSONResponse(found)

    async def queue(self, request: Request) -> Response:
        """Answer with the queue; a POST changes its defaults, or takes photos off."""
        if request.method == "POST":
            body = await _json(request)
            await run_in_threadpool(self._arrange, body)
        return JSONResponse(await run_in_threadpool(self.desk.queue))

    def _arrange(self, body: Mapping[str, Any]) -> None:
        settings, drop = body.get("settings", {}), body.get("drop", [])
        if not isinstance(settings, Mapping) or not isinstance(drop, list):
            refuse("bad_request", "settings must be an object, drop a list.")
        self.desk.take_away([str(d) for d in drop])
        if settings:
            self.desk.set_defaults(settings, untouched=body.get("untouched") is True)

    async def add_photo(self, request: Request) -> Response:
        """Take a picture in."""
        name = plain_name(request.query_params.get("name", "picture"))
        self.desk.touched()
        with self.desk.keep.incoming(name, MOST_BYTES) as incoming:
            async for chunk in request.stream():
                incoming.take(chunk)
            picture = await run_in_threadpool(incoming.kept)
        item = await run_in_threadpool(self.desk.add_picture, picture)
        return JSONResponse(item, status_code=201)

    async def add_limits(self, request: Request) -> Response:
        """Take a limits file in."""
        text = (await _body(request, _MOST_LIMITS)).decode("utf-8-sig", "strict")
        limits = await run_in_threadpool(self.desk.add_limits, request.query_params.get("name", "limits"), text)
        return JSONResponse(await run_in_threadpool(limit_choice, limits), status_code=201)

    async def record_choices(self, _: Request) -> Response:
        """Answer with the records there are."""
        return JSONResponse(await run_in_threadpool(self.records.choices))

    # --- one photo ------------------------------------------------------------------------------------------------

    async def photo(self, request: Request) -> Response:
        """Answer with everything about a photo."""
        self.desk.touched()
        return await self._with(request, lambda id_: self.desk.opened(id_).state())

    async def view(self, request: Request) -> Response:
        """Answer with a photo's size and tiles."""
        return await self._with(request, lambda id_: self.desk.case(id_).view())

    async def tile(self, request: Request) -> Response:
        """Answer with one tile."""
        case = self.desk.case(request.path_params["id"])
        z, x, y = (int(request.path_params[n]) for n in "zxy")

        def made() -> bytes:
            try:
                return case.loaded().tiles.tile(z, x, y)
            except MacrocheckError as error:
                refuse("not_found", str(error))

        return _picture(await run_in_threadpool(made))

    async def thumb(self, request: Request) -> Response:
        """Answer with a small picture."""
        return _picture(await run_in_threadpool(self.desk.thumb, request.path_params["id"]))

    async def claim(self, request: Request) -> Response:
        """Let a window have a photo."""
        body = await _json(request)
        case = self.desk.case(request.path_params["id"])
        window = checked_window(body.get("window"))
        who = checked_text(body.get("who"), "who", most=100)
        return JSONResponse(case.hold.claim(window, who, take_over=body.get("take_over") is True))

    async def release(self, request: Request) -> Response:
        """Let go of a photo."""
        body = await _json(request)
        case = self.desk.case(request.path_params["id"])
        return JSONResponse(case.hold.release(checked_window(body.get("window"))))

    async def edit(self, request: Request) -> Response:
        """Make an edit."""
        self.desk.touched()
        return await self._change(request, lambda case, body: case.edit(body))

    async def decide(self, request: Request) -> Response:
        """Note a decision."""
        return await self._change(request, lambda case, body: case.decide(body))

    async def save(self, request: Request) -> Response:
        """Write a photo's files into the keep folder."""

        def done(case: Case, body: Mapping[str, Any]) -> Any:
            folder, files = save(case, self.desk.keep, self.unit, body)
            return {"folder": folder, "files": files, "state": case.state()}

        return await self._change(request, done)

    async def attach(self, request: Request) -> Response:
        """Put a photo's result on a record."""

        def done(case: Case, body: Mapping[str, Any]) -> Any:
            one = attach_to(case, self.records, body, self.desk.who)
            return {"record": one.record, "revisions": one.revisions, "hash": one.hash, "state": case.state()}

        return await self._change(request, done)

    async def file(self, request: Request) -> Response:
        """Answer with one file of a photo's result, as a download."""
        kind = request.path_params["kind"]
        if kind not in KINDS:
            refuse("not_found", f"There is no such file; there are {', '.join(KINDS)}.")
        case = self.desk.case(request.path_params["id"])
        unit: LengthUnit = "in" if request.query_params.get("unit") == "in" else self.unit

        def made() -> bytes:
            photo, result, _ = case.result()
            return file_of(photo, result, kind, unit)

        stem = plain_name(case.source.name).rpartition(".")[0] or plain_name(case.source.name)
        plain = "".join(c if c.isascii() else "_" for c in stem)
        headers = {"Content-Disposition": f'attachment; filename="{plain}.{kind}"'}
        return Response(await run_in_threadpool(made), media_type=_KIND_TYPES[kind], headers=headers)

    async def unusable(self, _: Request, error: Exception) -> Response:
        """Answer that something cannot be used, in the page's words."""
        return _problem("cannot", page_words(str(error), str(self.desk.keep.path)))

    async def _with(self, request: Request, ask: Callable[[str], Any]) -> Response:
        return JSONResponse(await run_in_threadpool(ask, request.path_params["id"]))

    async def _change(self, request: Request, make: Callable[[Case, Mapping[str, Any]], Any]) -> Response:
        body = await _json(request)
        id_ = request.path_params["id"]
        return JSONResponse(await run_in_threadpool(lambda: make(self.desk.opened(id_), body)))


def build(server: Server) -> Starlette:
    """Return the application without its door (see `guard`)."""
    one = "/api/photos/{id}"

    def get(path: str, answer: Callable[[Request], Awaitable[Response]]) -> Route:
        return Route(path, answer, methods=["GET"])

    def post(path: str, answer: Callable[[Request], Awaitable[Response]]) -> Route:
        return Route(path, answer, methods=["POST"])

    return Starlette(
        routes=[
            get("/", server.page),
            get("/static/{name}", server.static),
            get("/api/options", server.options),
            Route("/api/queue", server.queue, methods=["GET", "POST"]),
            post("/api/photos", server.add_photo),
            post("/api/limits", server.add_limits),
            get("/api/records", server.record_choices),
            get(one, server.photo),
            get(f"{one}/view", server.view),
            get(f"{one}/tiles/{{z:int}}/{{x:int}}/{{y:int}}.jpg", server.tile),
            get(f"{one}/thumb.jpg", server.thumb),
            post(f"{one}/claim", server.claim),
            post(f"{one}/release", server.release),
            post(f"{one}/edits", server.edit),
            post(f"{one}/decision", server.decide),
            post(f"{one}/save", server.save),
            post(f"{one}/attach", server.attach),
            get(f"{one}/files/{{kind}}", server.file),
        ],
        exception_handlers={
            RefusedError: _refused,
            TooLargeError: _too_large,
            MacrocheckError: server.unusable,
            UnicodeDecodeError: _not_text,
            ClientDisconnect: _gone,
            HTTPException: _no_such,
            Exception: _fault,
        },
    )


def _problem(code: Code, text: str) -> JSONResponse:
    return JSONResponse({"code": code, "text": text}, status_code=STATUS[code])


async def _refused(_: Request, error: Exception) -> Response:
    if not isinstance(error, RefusedError):
        raise error
    return JSONResponse(error.to_json(), status_code=STATUS[error.code])


async def _too_large(_: Request, error: Exception) -> Response:
    return _problem("too_large", str(error))


async def _not_text(_: Request, __: Exception) -> Response:
    return _problem("bad_request", "The file is no text; give a limits file (TOML, UTF-8).")


async def _gone(_: Request, __: Exception) -> Response:
    return _problem("bad_request", "The page went away before all was sent.")


async def _no_such(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    text = "This is not how the page asks for it." if status == 405 else "There is no such page."
    return JSONResponse({"code": "not_found", "text": text}, status_code=status)


async def _fault(_: Request, error: Exception) -> Response:
    what = f"Something went wrong that should not have ({type(error).__name__}); load the page anew."
    return _problem("fault", what)


def _static(name: str) -> Response:
    content = _static_files().get(name)
    if content is None:
        refuse("not_found", "There is no such file.")
    kind = _TYPES["." + name.rpartition(".")[2]]
    return Response(content, media_type=kind, headers={"Cache-Control": "no-cache"})


def _picture(content: bytes) -> Response:
    return Response(content, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})


async def _body(request: Request, most: int) -> bytes:
    data = bytearray()
    async for chunk in request.stream():
        data += chunk
        if len(data) > most:
            msg = f"More was sent than the {most / 1e6:.0f} MB that are taken."
            raise TooLargeError(msg)
    return bytes(data)


async def _json(request: Request) -> Mapping[str, Any]:
    try:
        body = json.loads(await _body(request, _MOST_JSON))
    except (ValueError, RecursionError):
        refuse("bad_request", "What was sent is not JSON.")
    if not isinstance(body, dict):
        refuse("bad_request", "What was sent is not a JSON object.")
    return body
