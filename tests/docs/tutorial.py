"""Runs the commands of docs/tutorial.md in order and compares what they print with what the page shows.

`python -m tests.docs.tutorial` runs them and puts the fresh outputs and pictures into the page.

A `sh` block may be preceded by `<!-- status: 1 -->`, the exit status that its last command must have (else 0), and
followed by `<!-- shown: A..B | C -->` and a `text` block. A, B and C are regular expressions: of the printed lines
those are shown from the first that A fits to the next that B fits, and all that C fits; left-out lines show as an
ellipsis. After `shown loosely:` only the words are compared, not the numbers.
"""

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "tutorial.md"
LEFT_OUT = "…"
_BLOCK = re.compile(
    r"(?:<!-- status: (?P<status>\d) -->\n)?```sh\n(?P<commands>.*?)```\n"
    r"(?:\n<!-- shown(?P<loosely> loosely)?: (?P<rule>.*?) -->\n```text\n(?P<shown>.*?)```\n)?",
    re.DOTALL,
)
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?![\w.]*\.(?:jpg|csv|db))")
_DIGEST = re.compile(r"\b[0-9a-f]{64}\b")


@dataclass(frozen=True)
class Step:
    """One block of commands: the status that is due, what is shown by which rule and how it is compared."""

    commands: tuple[str, ...]
    status: int
    rule: str
    loosely: bool
    shown: str
    start: int
    end: int


def steps(page: str) -> Iterator[Step]:
    """Yield the page's blocks of commands; `start`, `end`: of the shown text in the page."""
    for match in _BLOCK.finditer(page):
        yield Step(
            tuple(line for line in match["commands"].replace("\\\n", " ").splitlines() if line.strip()),
            int(match["status"] or 0),
            match["rule"] or "",
            bool(match["loosely"]),
            match["shown"] or "",
            match.start("shown"),
            match.end("shown"),
        )


def run(step: Step, folder: Path) -> tuple[str, Path]:
    """Run a block's commands in `folder`; returns what they printed and the folder that the next block starts in.

    Raises:
        RuntimeError: where the last command's status is another than the page says, or an earlier one's is not 0.
    """
    printed = []
    for number, command in enumerate(step.commands, start=1):
        words = shlex.split(command, comments=True)
        if words[0] == "cd":
            folder = folder / words[1]
            continue
        words[:1] = {
            "macrocheck": [sys.executable, "-m", "macrocheck"],
            "python": [sys.executable],
        }[words[0]]
        done = subprocess.run(
            words, cwd=folder, env=environment(), capture_output=True, text=True, check=False, timeout=500
        )
        due = step.status if number == len(step.commands) else 0
        if done.returncode != due:
            msg = f"{command}: status {done.returncode}, the page says {due}\n{done.stdout}\n{done.stderr}"
            raise RuntimeError(msg)
        printed += [done.stdout, done.stderr]
    return "".join(printed), folder


def environment() -> Mapping[str, str]:
    """Return the environment of a plain terminal, 100 letters wide."""
    root = str(PAGE.parents[1])
    return {
        **os.environ,
        "COLUMNS": "100",
        "NO_COLOR": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONPATH": os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])]),
    }


def pick(printed: str, rule: str) -> str:
    """Return the lines of `printed` that `rule` asks for.

    Raises:
        LookupError: where the rule finds none.
    """
    lines = [_DIGEST.sub(lambda m: m[0][:8] + LEFT_OUT, line.rstrip()) for line in printed.splitlines()]
    if rule == "all":
        chosen = list(range(len(lines)))
    else:
        chosen = []
        for item in rule.split(" | "):
            first, _, last = item.partition("..")
            found = [i for i, line in enumerate(lines) if re.search(first, line)]
            if last and found:
                stop = [i for i in range(found[0] + 1, len(lines)) if re.search(last, lines[i])]
                found = list(range(found[0], stop[0] + 1)) if stop else []
            if not found:
                msg = f"nothing printed fits {item!r}:\n{printed}"
                raise LookupError(msg)
            chosen += found
        chosen = sorted(set(chosen))
    out: list[str] = []
    for before, i in zip([-1, *chosen], chosen, strict=False):
        if i != before + 1 and out:
            out.append(LEFT_OUT)
        out.append(lines[i])
    return "\n".join(out).strip("\n") + "\n"


def unlike(shown: str, fresh: str, *, loosely: bool = False) -> list[str]:
    """Return the shown lines that a fresh output contradicts: other words, or numbers that are not nearly the same.

    Nearly: within 15 %, or three steps of the last digit shown. Another processor rounds otherwise, and what is
    shown need not follow every small change of the outline.
    """
    a, b = shown.splitlines(), fresh.splitlines()
    if len(a) != len(b):
        return [f"{len(a)} lines shown, {len(b)} printed:\n{fresh}"]
    return [f"shown:   {x}\nprinted: {y}" for x, y in zip(a, b, strict=True) if not _alike(x, y, loosely=loosely)]


def _alike(shown: str, fresh: str, *, loosely: bool) -> bool:
    if _DIGEST_SHORT.search(shown):
        return bool(_DIGEST_SHORT.search(fresh))
    words = [re.sub(r"[\s─-]+", " ", _NUMBER.sub("0", line)).strip() for line in (shown, fresh)]
    if words[0] != words[1] or loosely:
        return words[0] == words[1]
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(fresh), strict=True)
    return all(_near(x, y) for x, y in pairs)


_DIGEST_SHORT = re.compile(rf"\b[0-9a-f]{{8}}{LEFT_OUT}")


def _near(shown: str, fresh: str) -> bool:
    step = 10.0 ** -len(shown.partition(".")[2])
    return abs(float(shown) - float(fresh)) <= max(0.15 * abs(float(shown)), 3 * step, 0.03)


PICTURES = {
    "look/K01-A.scale.png": ("tutorial-scale.jpg", 900),
    "look/K04-A.overlay.png": ("tutorial-overlay.jpg", 1300),
    "side-by-side.png": ("tutorial-side-by-side.jpg", 1300),
    "roots.svg": ("tutorial-roots.svg", 0),
    "amps.svg": ("tutorial-amps.svg", 0),
    "sections.png": ("tutorial-sections.jpg", 1200),
    "report.html": ("tutorial-report.jpg", 0),
}
"""What the commands wrote -> its name in docs/pictures, and the most px that it is wide there."""


def _copy_pictures(folder: Path) -> None:
    from PIL import Image

    pictures = PAGE.parent / "pictures"
    for source, (name, width) in PICTURES.items():
        path, target = folder / source, pictures / name
        if path.suffix == ".svg":
            target.write_bytes(path.read_bytes())
        elif path.suffix == ".png":
            with Image.open(path) as picture:
                small = picture.convert("RGB")
                small.thumbnail((width, 4 * width))
                small.save(target, quality=82)
        else:
            _photograph_page(path, target)


def _photograph_page(page: Path, target: Path) -> None:
    """Take a picture of the head of an HTML page."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    with sync_playwright() as browsers, tempfile.TemporaryDirectory() as folder:
        browser = browsers.chromium.launch(
            executable_path=os.environ.get("MACROCHECK_TEST_BROWSER") or "/usr/bin/chromium", args=["--no-sandbox"]
        )
        tab = browser.new_page(viewport={"width": 1100, "height": 1400})
        tab.goto(page.as_uri())
        tab.screenshot(path=f"{folder}/page.png")
        browser.close()
        with Image.open(f"{folder}/page.png") as picture:
            picture.convert("RGB").save(target, quality=80)


def main() -> None:
    """Run the page's commands and put what they print, and the pictures, into it."""
    page = PAGE.read_text(encoding="utf-8")
    out, done, wrong = [], 0, []
    with tempfile.TemporaryDirectory() as temp:
        folder = Path(temp)
        for step in steps(page):
            print("\n".join(step.commands), flush=True)
            printed, folder = run(step, folder)
            if step.rule:
                try:
                    out += [page[done : step.start], pick(printed, step.rule)]
                except LookupError as error:
                    wrong.append(str(error))
                    out.append(step.shown)
                done = step.end
        _copy_pictures(folder)
    PAGE.write_text("".join([*out, page[done:]]), encoding="utf-8")
    if wrong:
        sys.exit("\n".join(wrong))


if __name__ == "__main__":
    main()
