"""What is built of the page's sources lies in the package, and it is of these sources: without browser or node."""

import hashlib
import json
import re
from pathlib import Path

REVIEW = Path(__file__).parents[3] / "macrocheck" / "review"
PAGE, STATIC = REVIEW / "page", REVIEW / "static"
OUTSIDE = ("http://www.w3.org/",)
"""Names of XML namespaces, which no browser fetches."""


def _sources() -> list[str]:
    inner = [p.relative_to(PAGE).as_posix() for p in (PAGE / "src").rglob("*") if p.is_file()]
    return sorted(["build.mjs", "package-lock.json", "package.json", "tsconfig.json", *inner])


def test_bundle_is_built_of_these_sources() -> None:
    digest = hashlib.sha256()
    for name in _sources():
        digest.update(name.encode() + b"\0" + (PAGE / name).read_bytes() + b"\0")
    built = (STATIC / "sources.sha256").read_text().strip()
    assert digest.hexdigest() == built, "build the page anew: cd macrocheck/review/page && npm ci && npm run build"


def test_every_library_is_pinned_to_one_version_with_its_digest() -> None:
    package = json.loads((PAGE / "package.json").read_text())
    wanted = package["dependencies"] | package["devDependencies"]
    assert all(re.fullmatch(r"\d+\.\d+\.\d+", version) for version in wanted.values())
    locked = json.loads((PAGE / "package-lock.json").read_text())["packages"]
    assert all(locked[f"node_modules/{name}"]["version"] == version for name, version in wanted.items())
    assert all("integrity" in entry for name, entry in locked.items() if name)


def test_licences_of_what_is_bundled_lie_beside_it() -> None:
    text = (STATIC / "licences.txt").read_text()
    package = json.loads((PAGE / "package.json").read_text())
    for name, version in package["dependencies"].items():
        assert f"{name} {version}" in text
    assert "Redistribution and use in source and binary forms" in text  # the BSD licence's own words


def test_page_has_no_inline_script_or_style() -> None:
    html = (STATIC / "index.html").read_text()
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=", html)
    assert re.findall(r'(?:src|href)="([^"]+)"', html) == [
        "/static/icon.svg",
        "/static/page.css",
        "/static/page.js",
    ]


def test_data_never_becomes_markup() -> None:
    for path in (PAGE / "src").rglob("*.ts"):
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(", path.read_text()
        ), path


def test_nothing_is_fetched_from_elsewhere() -> None:
    for name in ("page.css", "index.html"):
        assert "//" not in re.sub(r"/\*.*?\*/", "", (STATIC / name).read_text(), flags=re.DOTALL)
    script = (STATIC / "page.js").read_text()
    outside = {url for url in re.findall(r"https?://[^\s\"'`)]+", script) if not url.startswith(OUTSIDE)}
    # what the map library names: its own pages in remarks to developers
    assert all("openlayers.org" in url or "epsg" in url.lower() or "opengis" in url for url in outside), outside
