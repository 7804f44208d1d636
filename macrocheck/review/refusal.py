"""Refused: why the server does not do what a page asked, as the page is told it."""

from typing import Literal, NoReturn

from macrocheck.review import protocol_state as p

Code = Literal["no_entry", "not_found", "bad_request", "cannot", "too_large", "stale", "held", "fault"]
STATUS: dict[Code, int] = {
    "no_entry": 403,
    "not_found": 404,
    "bad_request": 400,
    "cannot": 422,
    "too_large": 413,
    "stale": 409,
    "held": 409,
    "fault": 500,
}


class RefusedError(Exception):
    """A request that is not done: a code for the page, a sentence for the user."""

    def __init__(
        self, code: Code, text: str, *, state: p.PhotoState | None = None, held_by: p.Holder | None = None
    ) -> None:
        """`state`: with code `stale`; `held_by`: with code `held`."""
        super().__init__(text)
        self.code: Code = code
        self.text = text
        self.state = state
        self.held_by = held_by

    def to_json(self) -> p.Problem:
        """Return what the page is sent."""
        body: p.Problem = {"code": self.code, "text": self.text}
        if self.state is not None:
            body["state"] = self.state
        if self.held_by is not None:
            body["held_by"] = self.held_by
        return body


def refuse(
    code: Code, text: str, *, state: p.PhotoState | None = None, held_by: p.Holder | None = None
) -> NoReturn:
    """Raise the RefusedError."""
    raise RefusedError(code, text, state=state, held_by=held_by)


def checked_window(value: object) -> str:
    """Return a window's name; RefusedError where it is none."""
    if not isinstance(value, str) or not value.isascii() or not value.isalnum() or not 8 <= len(value) <= 64:
        refuse("bad_request", "The window must name itself with 8 to 64 letters and digits.")
    return value


def checked_text(value: object, name: str, *, most: int) -> str:
    """Return a text in one line, "" where there is none; RefusedError where it is too long or no text."""
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > most:
        refuse("bad_request", f"{name} must be a text of at most {most} characters.")
    return " ".join(value.split())
