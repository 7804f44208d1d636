"""Files come out whole or not at all."""

import errno
import os
import resource
import stat
import threading
from pathlib import Path

import pytest

from macrocheck.errors import OutputError
from macrocheck.paths import shown
from macrocheck.writing import write_text_whole, write_together, write_whole


def leftovers(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if p.name.startswith(".macrocheck-"))


def test_writes_what_it_is_given(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.bin", b"\0\xff" * 1000)
    write_text_whole(tmp_path / "b.txt", "4.8 mm ± 0.1\n")
    assert (tmp_path / "a.bin").read_bytes() == b"\0\xff" * 1000
    assert (tmp_path / "b.txt").read_bytes() == "4.8 mm ± 0.1\n".encode()
    assert leftovers(tmp_path) == []


def test_new_files_get_the_usual_permissions_and_old_ones_keep_theirs(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    write_whole(tmp_path / "new", b"x")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
    plain.chmod(0o640)
    write_whole(plain, b"y")
    assert stat.S_IMODE(plain.stat().st_mode) == 0o640


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to("real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new"


def test_the_kernel_refusing_more_bytes_leaves_the_old_file(tmp_path: Path) -> None:
    # A real refusal in the middle of the write: the process may write no file over 64 kB.
    target = tmp_path / "report.json"
    target.write_bytes(b"old")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (65_536, hard))
    try:
        with pytest.raises(OutputError, match="larger than is allowed") as caught:
            write_whole(target, b"x" * 1_000_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "\n" not in str(caught.value)
    assert target.read_bytes() == b"old"
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EDQUOT, "quota"),
        (errno.EIO, "the disk reports a fault"),
    ],
)
def test_a_failing_flush_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, words: str
) -> None:
    def failing(_: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(OutputError, match=words):
        write_whole(tmp_path / "new.png", b"x" * 100)
    assert list(tmp_path.iterdir()) == []


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refusing(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refusing)
    with pytest.raises(OutputError, match="no permission"):
        write_whole(tmp_path / "a", b"x")


def test_missing_folder_folder_in_the_way_and_file_as_folder(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"1")
    with pytest.raises(OutputError, match=r"nowhere/a\.json cannot be written: its folder does not exist"):
        write_whole(tmp_path / "nowhere" / "a.json", b"x")
    with pytest.raises(OutputError, match="a folder of that name is in the way"):
        write_whole(tmp_path / "folder", b"x")
    with pytest.raises(OutputError, match="a part of its path is a file"):
        write_whole(tmp_path / "file" / "a.json", b"x")
    with pytest.raises(OutputError, match="the name is too long"):
        write_whole(tmp_path / ("n" * 300), b"x")
    with pytest.raises(OutputError, match="not a file name"):
        write_whole(str(tmp_path / "a\0b"), b"x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder"]


def test_links_in_a_circle(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(OutputError, match="round in a circle"):
        write_whole(tmp_path / "a", b"x")


def test_a_pipe_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    caught: list[BaseException] = []

    def work() -> None:
        try:
            write_whole(tmp_path / "pipe", b"x")
        except OutputError as error:
            caught.append(error)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(5)
    assert not thread.is_alive()
    assert "not an ordinary file" in str(caught[0])


def test_together_is_all_or_none_when_one_cannot_be_staged(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    with pytest.raises(OutputError, match="its folder does not exist"):
        write_together({tmp_path / "a": b"new", tmp_path / "nowhere" / "b": b"new"})
    assert (tmp_path / "a").read_bytes() == b"old"
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("failing_name", ["b", "c"])
def test_together_puts_back_what_was_renamed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing_name: str
) -> None:
    (tmp_path / "a").write_bytes(b"old a")
    real = Path.replace

    def replace(self: Path, target: Path) -> Path:
        if Path(target).name == failing_name and b"new" in self.read_bytes():
            raise OSError(errno.EIO, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(OutputError, match="reports a fault"):
        write_together({tmp_path / "a": b"new", tmp_path / "b": b"new", tmp_path / "c": b"new"})
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a", b"old a")]


def test_together_puts_back_when_keeping_a_copy_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in "ab":
        (tmp_path / name).write_bytes(b"old " + name.encode())
    real = __import__("shutil").copy2

    def copy2(source: Path, target: Path) -> None:
        if Path(source).name == "b":
            raise OSError(errno.ENOSPC, "No space left on device")
        real(source, target)

    monkeypatch.setattr("shutil.copy2", copy2)
    with pytest.raises(OutputError, match="the disk is full"):
        write_together({tmp_path / "a": b"new", tmp_path / "b": b"new"})
    assert sorted((p.name, p.read_bytes()) for p in tmp_path.iterdir()) == [("a", b"old a"), ("b", b"old b")]


def test_together_writes_all(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    write_together({tmp_path / "a": b"1", str(tmp_path / "b"): b"2"})
    assert sorted((p.name, p.read_bytes()) for p in tmp_path.iterdir()) == [("a", b"1"), ("b", b"2")]


def test_an_interrupt_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a", b"x")
    assert list(tmp_path.iterdir()) == []


def test_shown_escapes_what_would_break_a_line() -> None:
    assert shown("a\nb\x1b[31m.png") == "a\\nb\\x1b[31m.png"
    assert shown(os.fsdecode(b"caf\xe9.png")) == "caf\\udce9.png"
    assert shown("Prüfstück 1.png") == "Prüfstück 1.png"


@pytest.mark.parametrize("name", ["", "  "])
def test_no_name_at_all(name: str) -> None:
    with pytest.raises(OutputError, match="has no name"):
        write_whole(name, b"x")
