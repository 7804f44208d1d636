"""Whatever is wrong ends with status 2 and one sentence, and leaves nothing half-written."""

import errno
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from macrocheck.cli.outcome import sentence
from macrocheck.errors import InputError, NotFoundError
from macrocheck.pipeline import measure_photo
from tests.cli.conftest import Run
from tests.cli.coupon import MARK, outline, write_outline, write_photo

Coupon = tuple[object, ...]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--mark", "bar:10"], "no unit|unit"),
        (["--mark", "sundial:1mm"], "sundial"),
        (["--mark", MARK, "--fusion-threshold", "0.1"], "no unit"),
        (["--mark", MARK, "--given", "t=8mm"], "only of use with --limits"),
        (["--mark", MARK, "--guard", "1"], "only of use with --limits"),
        (["--mark", MARK, "--limits", "nowhere"], "no limits file 'nowhere'"),
        (["--mark", MARK, "--limits", "iso5817-fillet-b", "--given", "t=8"], "t: '8' has no unit"),
        (["--mark", MARK, "--limits", "iso5817-fillet-b", "--given", "q=8mm"], "one of t \\(thickness\\)"),
        (["--mark", MARK, "--limits", "iso5817-fillet-b", "--guard", "-1"], "--guard"),
        (["--mark", MARK, "--outline", "nowhere.geojson"], "nowhere.geojson"),
        (["--mark", MARK, "--hint", "root"], "hint 'root'"),
    ],
    ids=[str(i) for i in range(11)],
)
def test_options(run: Run, tmp_path: Path, arguments: list[str], part: str) -> None:
    ran = run("measure", write_photo(tmp_path / "tee.png"), *arguments)
    assert ran.status == 2
    assert ran.out == ""
    assert ran.err.strip()
    with pytest.raises(InputError, match=part):
        raise InputError(ran.err)


@pytest.mark.parametrize("place", ["99999,5", "5,99999", "-5,5", "800.5,5"])
def test_a_hint_outside_the_picture(run: Run, tmp_path: Path, place: str) -> None:
    # one that was believed once took all the memory there was
    ran = run("measure", write_photo(tmp_path / "tee.png"), "--mark", MARK, "--hint", f"toe={place}")
    assert ran.status == 2
    assert ran.out == ""
    assert f"hint 'toe={place}' lies outside the picture (800 x 600 px)" in ran.err


def test_without_a_mark_it_says_which_there_are(run: Run, tmp_path: Path) -> None:
    ran = run("measure", write_photo(tmp_path / "tee.png"))
    assert ran.status == 2
    assert "--mark bar:10mm" in ran.err
    assert "ruler:1mm" in ran.err


@pytest.mark.parametrize(
    ("target", "why"), [("", "not a file name"), (".", "a folder"), ("nowhere/a.json", "its folder does not exist")]
)
def test_a_json_file_that_cannot_be_is_said_before_measuring(
    run: Run, coupon: Coupon, target: str, why: str
) -> None:
    ran = run("measure", *coupon, "--json", target)
    assert ran.status == 2
    assert ran.out == ""  # nothing was measured yet
    assert why in ran.err
    assert "--json" in ran.err


def test_outline_and_hint_are_for_one_photo(run: Run, tmp_path: Path) -> None:
    photos = [write_photo(tmp_path / n) for n in ("a.png", "b.png")]
    for option in (["--outline", "x.geojson"], ["--hint", "root=1,2"]):
        ran = run("measure", *photos, "--mark", MARK, *option)
        assert ran.status == 2
        assert "hold for one photo" in ran.err


def test_an_outline_and_a_hint_do_not_go_together(run: Run, coupon: Coupon, tmp_path: Path) -> None:
    photo, *options = coupon
    for arguments in (["measure", photo], ["attach", tmp_path / "bench.db", "A", photo]):
        ran = run(*arguments, *options, "--hint", "root=300,400")
        assert ran.status == 2
        assert "leave one of them out" in ran.err
    assert not (tmp_path / "bench.db").exists()


def test_photo_faults(run: Run, tmp_path: Path) -> None:
    empty = tmp_path / "empty.jpg"
    empty.touch()
    for photo in (tmp_path / "nowhere.jpg", tmp_path, empty):
        ran = run("measure", photo, "--mark", MARK, "--json", "-")
        assert ran.status == 2
        assert str(photo) in ran.err
        assert len(ran.err.strip().splitlines()) == 1
        failure = json.loads(ran.out)
        assert failure["format"] == "macrocheck-failure"
        assert failure["photo"]["path"] == str(photo)


def test_nothing_found(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(*_: object, **__: object) -> None:
        msg = "There is no weld in this picture; is the section etched?"
        raise NotFoundError(msg)

    monkeypatch.setattr("macrocheck.segment.find_outline", nothing, raising=False)
    photo = write_photo(tmp_path / "tee.png")
    ran = run("measure", photo, "--mark", MARK)
    assert ran.status == 2
    assert ran.err == f"macrocheck: {photo}: There is no weld in this picture; is the section etched?\n"


def test_a_missing_mark_is_said_before_a_missing_weld(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(text: str) -> object:
        def fail(*_: object, **__: object) -> None:
            raise NotFoundError(text)

        return fail

    monkeypatch.setattr("macrocheck.segment.find_outline", missing("no weld"), raising=False)
    monkeypatch.setattr("macrocheck.calibrate.calibrate", missing("no mark"))
    with pytest.raises(NotFoundError, match="no mark"):
        measure_photo(write_photo(tmp_path / "tee.png"), mark="bar:10mm")


def test_an_unexpected_fault_is_a_sentence(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        msg = "index 7 is out\nof bounds"
        raise IndexError(msg)

    monkeypatch.setattr("macrocheck.segment.find_outline", broken, raising=False)
    monkeypatch.delenv("MACROCHECK_DEBUG", raising=False)
    photo = write_photo(tmp_path / "tee.png")
    ran = run("measure", photo, "--mark", MARK)
    assert ran.status == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert "IndexError: index 7 is out of bounds" in ran.err
    assert "MACROCHECK_DEBUG=1" in ran.err
    monkeypatch.setenv("MACROCHECK_DEBUG", "1")
    from macrocheck.cli import main

    with pytest.raises(IndexError):
        main(["measure", str(photo), "--mark", MARK])


def test_stopping_by_hand(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("macrocheck.segment.find_outline", stop, raising=False)
    ran = run("measure", write_photo(tmp_path / "tee.png"), "--mark", MARK)
    assert ran.status == 130
    assert "stopped" in ran.err


def test_output_folder(run: Run, coupon: Coupon, tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.touch()
    for out in (taken, taken / "inside"):
        ran = run("measure", *coupon, "--out", out)
        assert ran.status == 2
        assert ran.out == ""
        assert "cannot be made" in ran.err
        assert "name another with --out" in ran.err


@pytest.mark.parametrize("as_root", [True, False])
def test_a_folder_that_may_not_be_written(run: Run, coupon: Coupon, tmp_path: Path, as_root: bool,
                                          monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    out = tmp_path / "locked"
    out.mkdir(mode=0o500)
    if as_root:  # root may write anywhere, so the answer of the system is put in its mouth
        real = os.access
        monkeypatch.setattr("macrocheck.cli.files.os.access", lambda path, mode: path != out and real(path, mode))
    elif os.geteuid() == 0:
        pytest.skip("root writes everywhere")
    ran = run("measure", *coupon, "--out", out)
    assert ran.status == 2
    assert "you have no permission" in ran.err
    assert list(out.iterdir()) == []


def test_disk_full(run: Run, coupon: Coupon, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "tee.result.json").write_text("as it was", encoding="utf-8")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("macrocheck.writing.os.fsync", full)
    ran = run("measure", *coupon, "--out", out, "--json", "-")
    assert ran.status == 2
    assert "the disk is full" in ran.err
    assert [p.name for p in out.iterdir()] == ["tee.result.json"]
    assert (out / "tee.result.json").read_text(encoding="utf-8") == "as it was"
    assert json.loads(ran.out)["format"] == "macrocheck-result"  # the measurement itself is not lost

    ran = run("measure", *coupon, "--json", tmp_path / "all.json")
    assert ran.status == 2
    assert "the disk is full" in ran.err
    assert not (tmp_path / "all.json").exists()


def test_a_malformed_outline(run: Run, tmp_path: Path) -> None:
    photo = write_photo(tmp_path / "tee.png")
    drawn = tmp_path / "drawn.geojson"
    for text in ("", "{", "[]", '{"type": "FeatureCollection", "features": []}', "\x00"):
        drawn.write_text(text, encoding="utf-8")
        ran = run("measure", photo, "--mark", MARK, "--outline", drawn)
        assert ran.status == 2
        assert len(ran.err.strip().splitlines()) == 1


def test_the_function_says_the_same(tmp_path: Path) -> None:
    photo = write_photo(tmp_path / "tee.png")
    drawn = write_outline(tmp_path / "tee.geojson")
    with pytest.raises(InputError, match="not a kind of joint"):
        measure_photo(photo, mark=MARK, joint="butt", outline=drawn)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="A mark is needed"):
        measure_photo(photo, mark=[], outline=drawn)
    with pytest.raises(InputError, match="no unit"):
        measure_photo(photo, mark=MARK, outline=drawn, limits="iso5817-fillet-b", given={"t": "8"})
    result = measure_photo(
        photo, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given={"t": "8mm", "a": 3.0}
    )
    assert result.verdicts.limits_name == "iso5817-fillet-b"
    again = measure_photo(photo, mark=[MARK], outline=drawn)
    assert result.measurements[0].quantities == again.measurements[0].quantities


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
@pytest.mark.parametrize("more", [[], ["--json", "-"]])
def test_printing_to_a_full_disk(coupon: Coupon, more: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "macrocheck", "measure", *map(str, coupon), *more],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=60,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == "macrocheck: The output cannot be written: the disk is full.\n"


def test_where_nothing_can_be_had_it_is_undecided(
    run: Run, coupon: Coupon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A picture too unclear for any number is not "measured", and it is said once, not 40 times."""
    from macrocheck.measure import measure as real

    def withheld(*arguments: object, **options: object) -> object:
        found = real(*arguments, **options)  # type: ignore[arg-type]
        none = {
            k: replace(q, value=None, u=None, U95=None, reason="the picture is too unclear")
            for k, q in found[0].quantities.items()
        }
        return (replace(found[0], quantities=none),)

    monkeypatch.setattr("macrocheck.measure.measure", withheld)
    ran = run("measure", *coupon)
    assert ran.status == 3
    assert ran.out.count("the picture is too unclear") == 1
    assert "Nothing could be measured: the picture is too unclear." in ran.out


def test_what_the_system_refuses_is_said_in_plain_words() -> None:
    denied = PermissionError(errno.EACCES, os.strerror(errno.EACCES), "/root/x.csv")
    assert sentence(denied) == (
        "/root/x.csv cannot be used: you have no permission; check the name, the folder and your permission."
    )
