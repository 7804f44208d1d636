"""Documents as the record keeps them: canonical JSON, named by the SHA-256 of their bytes, packed."""

import hashlib
import json
import zlib
from collections.abc import Mapping
from typing import Any

from macrocheck.errors import InputError

JSON_TYPE = "application/json"
GEOJSON_TYPE = "application/geo+json"


def canonical(document: object) -> bytes:
    """Return a document as JSON bytes that are the same for the same content: keys sorted, no blanks, UTF-8.

    Raises InputError for a number that is not finite, which JSON (RFC 8259) does not know.
    """
    try:
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
        return text.encode("utf-8")
    except ValueError as error:  # includes text that UTF-8 cannot hold
        msg = "The document holds a number that is not finite or text that is no Unicode; it cannot be recorded."
        raise InputError(msg) from error


def digest(content: bytes) -> str:
    """Return the SHA-256 of `content` as 64 hex digits."""
    return hashlib.sha256(content).hexdigest()


def pack(content: bytes) -> bytes:
    """Return `content` compressed (RFC 1950)."""
    return zlib.compress(content, 6)


def unpack(packed: bytes) -> bytes:
    """Return what was packed; raises ValueError where the bytes are damaged."""
    try:
        return zlib.decompress(packed)
    except zlib.error as error:
        msg = "the packed bytes are damaged"
        raise ValueError(msg) from error


def parsed(content: bytes) -> dict[str, Any]:
    """Return a JSON object; raises ValueError where the bytes hold none."""
    document = json.loads(content)
    if not isinstance(document, Mapping):
        msg = "it is not a JSON object"
        raise ValueError(msg)  # noqa: TRY004 (one kind of error for every damaged document)
    return dict(document)
