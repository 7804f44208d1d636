"""The drawings of the definitions are those that the geometry gives today, and can be read in any light."""

import importlib.util
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree as ET

import pytest

DOCS = Path(__file__).parents[2] / "docs"
NAMES = ("legs", "depth", "unfused", "toes", "lap", "bead")


@pytest.fixture(scope="module")
def drawings() -> ModuleType:
    spec = importlib.util.spec_from_file_location("drawings", DOCS / "drawings.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["drawings"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", NAMES)
def test_as_drawn_today(drawings: ModuleType, name: str) -> None:
    assert (DOCS / "pictures" / f"define-{name}.svg").read_text(encoding="utf-8") == drawings.DRAWINGS[name]()


@pytest.mark.parametrize("name", NAMES)
def test_whole_and_on_a_light_ground(name: str) -> None:
    root = ET.fromstring((DOCS / "pictures" / f"define-{name}.svg").read_text(encoding="utf-8"))
    svg = "{http://www.w3.org/2000/svg}"
    ground = root.find(f"{svg}rect")
    assert ground is not None
    assert (ground.get("width"), ground.get("fill")) == ("100%", "#ffffff")
    assert root.find(f"{svg}title") is not None
    assert len(root.findall(f".//{svg}text")) >= 3


def test_every_drawing_is_on_the_page(drawings: ModuleType) -> None:
    page = (DOCS / "definitions.md").read_text(encoding="utf-8")
    assert set(drawings.DRAWINGS) == set(NAMES)
    assert all(f"pictures/define-{name}.svg" in page for name in NAMES)
