"""Files that several people or processes write, that are linked, protected or badly named."""

from __future__ import annotations

import os
import secrets
import stat
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

import pytest
from littleroom import little_room

import gantrysim as gs
from gantrysim.records import files
from gantrysim.records.files import refuse_existing, write_new_file, write_new_text


def beside(file: Path) -> list[str]:
    """What lies in the folder of a file beside it."""
    return [path.name for path in file.parent.iterdir() if path.name != file.name]


# --- several at once -----------------------------------------------------------------------------

#: Two threads raise the number in a file thirty times each, each time from what it is then.  The
#: module is run alone: it needs nothing of the library, which takes its time to load.
COUNTING = """
import runpy, sys, threading, time
from pathlib import Path
file, write = Path(sys.argv[1]), runpy.run_path(sys.argv[2])["write_new_text"]

def count_up():
    done = 0
    while done < 30:
        old = file.read_text()

        def unchanged():
            if file.read_text() != old:
                raise ValueError("changed")
            time.sleep(1e-3)  # long enough for another one to come between

        try:
            write(file, str(int(old) + 1), overwrite=True, unchanged=unchanged)
            done += 1
        except ValueError:
            pass

crew = [threading.Thread(target=count_up) for _ in range(2)]
[thread.start() for thread in crew]
[thread.join() for thread in crew]
"""


def test_nobody_undoes_what_another_process_or_thread_wrote(tmp_path):
    file = tmp_path / "count.txt"
    file.write_text("0")
    told = [sys.executable, "-c", COUNTING, str(file), files.__file__]
    processes = [subprocess.Popen(told) for _ in range(2)]
    assert [process.wait(timeout=60.0) for process in processes] == [0, 0]
    assert file.read_text() == "120"
    assert not beside(file)


def test_who_waited_for_a_file_that_was_replaced_waits_for_the_new_one(tmp_path):
    file, begun, entered = tmp_path / "alder.txt", threading.Event(), threading.Event()
    file.write_text("old")

    def wait_for_it() -> None:
        begun.set()
        with files._locked(file):
            entered.set()

    waiting = threading.Thread(target=wait_for_it)
    with ExitStack() as held:
        with files._locked(file):
            waiting.start()
            begun.wait(10.0)
            time.sleep(0.1)  # it holds the old file open
            write_new_text(file, "new", overwrite=True)
            held.enter_context(files._locked(file))
        assert not entered.wait(0.1)
    waiting.join(10.0)
    assert entered.is_set()


def at_once(file: Path, count: int) -> list[str]:
    """Who wrote a new file, of several that all saw that there is none."""
    gate, won = threading.Barrier(count), []

    def make(name: str) -> None:
        def write(out: BinaryIO) -> None:
            gate.wait(10.0)
            out.write(name.encode())

        try:
            write_new_file(file, write, overwrite=False)
            won.append(name)
        except FileExistsError as error:
            assert str(error) == f"{file}: the file exists; pass overwrite=True to replace it."

    crew = [threading.Thread(target=make, args=(str(k),)) for k in range(count)]
    for thread in crew:
        thread.start()
    for thread in crew:
        thread.join()
    return won


def no_links(*paths: Path) -> None:
    raise PermissionError(1, "Operation not permitted")


@pytest.mark.parametrize("links", [True, False], ids=["disk", "memory card"])
def test_a_new_file_is_made_by_one(tmp_path, monkeypatch, links):
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    file = tmp_path / "new.txt"
    (winner,) = at_once(file, 4)
    assert file.read_text() == winner
    assert not beside(file)


def test_a_new_log_is_never_that_of_another(tmp_path, monkeypatch):
    file = tmp_path / "alder.json"
    first = gs.new_log(file, gs.Machine(), name="first")
    monkeypatch.setattr(files, "refuse_existing", lambda path, overwrite: Path(path))  # too early
    with pytest.raises(FileExistsError, match="a log is never overwritten, open it"):
        gs.new_log(file, gs.Machine(), name="second")
    assert gs.open_log(file).name == first.name


# --- links and rights ----------------------------------------------------------------------------


def test_a_link_laid_where_the_part_would_be_is_not_followed(tmp_path, monkeypatch):
    precious, file = tmp_path / "precious.txt", tmp_path / "new.txt"
    precious.write_text("precious")
    monkeypatch.setattr(secrets, "token_hex", lambda count: "guessed")
    (tmp_path / ".guessed.part").symlink_to(precious)
    with pytest.raises(FileExistsError):
        write_new_text(file, "new", overwrite=True)
    assert precious.read_text() == "precious"


def test_no_part_has_a_name_that_was_used_before(tmp_path):
    names = set()

    def write(out: BinaryIO) -> None:
        names.add(out.name)

    for _ in range(20):
        write_new_file(tmp_path / "new.txt", write, overwrite=True)
    assert len(names) == 20


def test_what_a_link_leads_to_is_written(tmp_path):
    folder, link = tmp_path / "cloud", tmp_path / "link.json"
    folder.mkdir()
    file = folder / "alder.json"
    gs.new_log(file, gs.Machine(), name="Alder")
    (tmp_path / "other").symlink_to(file)
    link.symlink_to("other")
    gs.open_log(link).adjusted(gs.decisions.Change("tight_wheels_left", 1.0), note="by Wren")
    assert link.is_symlink()
    assert "by Wren" in gs.open_log(file).report()
    assert not beside(file)


def test_a_link_to_nothing_is_no_free_name(tmp_path):
    link = tmp_path / "link.txt"
    link.symlink_to(tmp_path / "elsewhere.txt")
    with pytest.raises(FileExistsError, match=r"link\.txt: the file exists"):
        write_new_text(link, "new", overwrite=False)
    write_new_text(link, "new", overwrite=True)
    assert (tmp_path / "elsewhere.txt").read_text() == "new"


@pytest.mark.parametrize("rights", [0o600, 0o640, 0o664])
def test_rights_stay(tmp_path, monkeypatch, rights):
    file, made, usual = tmp_path / "alder.txt", [], os.open
    file.write_text("old")
    file.chmod(rights)

    def seen(path: str, how: int, *rights: int) -> int:
        made.append(rights)
        return usual(path, how, *rights)

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", seen)
        write_new_text(file, "new", overwrite=True)
    assert stat.S_IMODE(file.stat().st_mode) == rights
    assert made == [(0o600,)]  # nobody else could open it before it had its rights


def test_a_new_file_has_the_usual_rights(tmp_path):
    (tmp_path / "plain.txt").write_text("plain")
    write_new_text(tmp_path / "new.txt", "new", overwrite=False)
    rights = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain.txt", "new.txt")]
    assert rights[0] == rights[1]


def test_the_owner_stays(tmp_path, monkeypatch):
    file, given = tmp_path / "alder.txt", []
    file.write_text("old")
    monkeypatch.setattr(os, "chown", lambda path, *owner: given.append(owner))
    write_new_text(file, "new", overwrite=True)
    assert given == [(file.stat().st_uid, file.stat().st_gid)]


# --- what the system refuses ---------------------------------------------------------------------


def test_a_disk_that_is_full_is_said_of_the_file(tmp_path):
    file = tmp_path / "alder.txt"
    file.write_text("old")
    with little_room(100), pytest.raises(OSError, match="cannot be written") as told:
        write_new_text(file, "x" * 100_000, overwrite=True)
    assert str(told.value) == f"{file}: the file cannot be written (file too large)."
    assert told.value.errno
    assert file.read_text() == "old"
    assert not beside(file)


def test_read_only_is_said_before_the_work(tmp_path, monkeypatch):
    file = tmp_path / "alder.txt"
    file.write_text("old")
    monkeypatch.setattr(os, "access", lambda path, how: Path(path) != file)
    with pytest.raises(PermissionError) as told:
        refuse_existing(file, overwrite=True)
    assert str(told.value) == f"{file}: the file is read-only."
    monkeypatch.setattr(os, "access", lambda path, how: Path(path) != tmp_path)
    with pytest.raises(PermissionError) as told:
        refuse_existing(tmp_path / "new.txt", overwrite=False)
    assert str(told.value) == f"{tmp_path / 'new.txt'}: nothing may be written into {tmp_path}."


def test_refusals_of_the_system_name_the_file_asked_for(tmp_path, monkeypatch):
    file = tmp_path / "alder.txt"

    def refused(path: object, *rest: object, **how: object) -> int:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "open", refused)
    with pytest.raises(PermissionError) as told:
        write_new_text(file, "new", overwrite=False)
    assert str(told.value) == f"{file}: the file cannot be written (permission denied)."
    monkeypatch.undo()
    write_new_text(file, "new", overwrite=False)
    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(PermissionError) as told:
        gs.read_test(file)
    assert str(told.value) == f"{file}: the file cannot be read (permission denied)."


def test_what_is_no_plain_file_is_not_replaced(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(ValueError, match=r"pipe: this is no plain file"):
        write_new_text(pipe, "new", overwrite=True)
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    with pytest.raises(ValueError, match=r"this is a folder; the name of a file is expected"):
        write_new_text(tmp_path, "new", overwrite=True)


# --- names ---------------------------------------------------------------------------------------


def test_a_name_may_be_as_long_as_the_system_allows(tmp_path):
    longest = os.pathconf(tmp_path, "PC_NAME_MAX")
    name = "x" * (longest - 5) + ".json"
    gs.new_log(tmp_path / name, gs.Machine(), name="Alder")
    assert gs.open_log(tmp_path / name).name == "Alder"
    for refused in (gs.ring_test().save, gs.read_test):
        with pytest.raises(OSError, match=r"the file cannot be \w+ \(file name too long\)\.$"):
            refused(tmp_path / f"x{name}")


@pytest.mark.parametrize(
    "use",
    [
        gs.read_test,
        gs.open_log,
        lambda path: gs.read_points(path, gs.ring_test()),
        lambda path: gs.ring_test().save(path),
        lambda path: gs.new_log(path, gs.Machine(), name="Alder"),
    ],
    ids=["test", "log", "points", "save", "new log"],
)
def test_a_text_in_place_of_a_path_is_refused_in_one_line(use):
    with pytest.raises(ValueError, match=r"path must be .*in one line, found 'a,b\\n1") as told:
        use("a,b\n1,2\n" + 40 * "1,2\n")
    assert "\n" not in str(told.value)
