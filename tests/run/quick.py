"""A sheet of coupons that are measured in a moment."""

from pathlib import Path

from PIL import Image

from tests.cli.coupon import MARK, write_outline, write_photo

HEADINGS = (
    "coupon,photo,outline,mark,joint,thickness butting,wire size (in),"
    "wfs (in/min),process,volts,amps,travel (in/min)"
)


def write_sheet(folder: Path, count: int, name: str = "trial.csv") -> Path:
    """Write photos, outlines and a sheet of `count` coupons into a folder; return the sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    write_outline(folder / "tee.geojson")
    whole = Image.open(write_photo(folder / "whole.png"))
    rows = [HEADINGS]
    for i in range(count):
        one = whole.copy()
        one.putpixel((i % 700, i // 700), (255, 0, 0))  # no two photographs are the same
        one.save(folder / f"p{i:03d}.png")
        rows.append(f"C{i:03d},p{i:03d}.png,tee.geojson,{MARK},tee,6 mm,.035,300,GMAW,22-23,{150 + i % 50},15")
    (folder / "whole.png").unlink()
    sheet = folder / name
    sheet.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return sheet
