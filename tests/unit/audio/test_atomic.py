"""Files and folders that appear complete or not at all."""

import os
import shutil
import signal
import subprocess
import sys

import pytest

from chainweigh.audio import atomic, folder_in_place, link_or_copy, write_bytes, write_text
from chainweigh.errors import RunFolderError


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_text_is_written_as_utf_8_with_its_own_line_ends(tmp_path):
    write_text(tmp_path / "a.txt", "ä\r\nb\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xa4\r\nb\n"
    assert names(tmp_path) == ["a.txt"]


def test_a_written_file_has_the_permissions_of_any_new_file(tmp_path):
    write_bytes(tmp_path / "a", b"x")
    (tmp_path / "plain").touch()
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        ("gone/a.txt", "folder {root}/gone does not exist"),
        ("file/a.txt", "Not a directory"),
        ("folder", "Is a directory"),
    ],
)
def test_a_place_that_cannot_be_written_is_named(tmp_path, place, reason):
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    with pytest.raises(RunFolderError) as error:
        write_text(tmp_path / place, "x")
    assert str(error.value) == (
        f"{tmp_path / place}: cannot be written: {reason.format(root=tmp_path)}"
    )
    assert names(tmp_path) == ["file", "folder"]


def test_a_link_shares_the_bytes_of_its_source(tmp_path):
    (tmp_path / "source").write_bytes(b"x")
    link_or_copy(tmp_path / "source", tmp_path / "target")
    assert (tmp_path / "target").samefile(tmp_path / "source")


def test_linking_twice_leaves_no_temporary_name(tmp_path):
    (tmp_path / "source").write_bytes(b"x")
    link_or_copy(tmp_path / "source", tmp_path / "target")
    link_or_copy(tmp_path / "source", tmp_path / "target")
    assert names(tmp_path) == ["source", "target"]


def test_a_copy_is_made_where_links_are_not_possible(tmp_path, monkeypatch):
    def refused(*args):
        raise OSError("Invalid cross-device link")

    monkeypatch.setattr(os, "link", refused)
    (tmp_path / "source").write_bytes(b"x")
    link_or_copy(tmp_path / "source", tmp_path / "target")
    assert (tmp_path / "target").read_bytes() == b"x"
    assert not (tmp_path / "target").samefile(tmp_path / "source")


def test_a_copy_that_was_asked_for_shares_nothing(tmp_path):
    source, target = tmp_path / "a", tmp_path / "b"
    source.write_bytes(b"one")
    link_or_copy(source, target, link=False)
    target.write_bytes(b"two")
    assert source.read_bytes() == b"one"


def test_what_a_killed_writer_left_is_removed_and_a_living_ones_is_not(tmp_path):
    left = tmp_path / f"{atomic.PARTIAL_PREFIX}0123"
    left.write_bytes(b"half")
    long_ago_s = left.stat().st_mtime - 60
    os.utime(left, (long_ago_s, long_ago_s))
    with atomic.file_in_place(tmp_path / "whole") as file:
        file.write(b"all of it")
        file.flush()
        (being_written,) = set(tmp_path.iterdir()) - {left}
        os.utime(being_written, (long_ago_s, long_ago_s))
        atomic.remove_abandoned(tmp_path)
        assert list(tmp_path.iterdir()) == [being_written]
    assert [path.name for path in tmp_path.iterdir()] == ["whole"]


def test_a_missing_source_is_named(tmp_path):
    with pytest.raises(RunFolderError) as error:
        link_or_copy(tmp_path / "source", tmp_path / "target")
    assert str(error.value).startswith(f"{tmp_path / 'source'}: no such file")
    assert not names(tmp_path)


def test_a_folder_takes_its_name_when_it_is_complete(tmp_path):
    with folder_in_place(tmp_path / "run") as folder:
        assert folder == tmp_path / ".run.partial"
        (folder / "results.json").write_text("{}")
        assert not (tmp_path / "run").exists()
    assert names(tmp_path) == ["run"]
    assert names(tmp_path / "run") == ["results.json"]


@pytest.mark.parametrize("failure", [ValueError, KeyboardInterrupt, SystemExit])
def test_a_failure_leaves_the_earlier_run_and_nothing_else(tmp_path, failure):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "results.json").write_text("earlier")
    with pytest.raises(failure), folder_in_place(tmp_path / "run") as folder:
        (folder / "results.json").write_text("half")
        raise failure
    assert names(tmp_path) == ["run"]
    assert (tmp_path / "run" / "results.json").read_text() == "earlier"


def test_an_earlier_run_is_replaced_whole(tmp_path):
    (tmp_path / "run" / "audio").mkdir(parents=True)
    (tmp_path / "run" / "results.json").write_text("earlier")
    (tmp_path / "run" / ".DS_Store").touch()
    with folder_in_place(tmp_path / "run") as folder:
        (folder / "results.json").write_text("new")
    assert names(tmp_path) == ["run"]
    assert names(tmp_path / "run") == ["results.json"]
    assert (tmp_path / "run" / "results.json").read_text() == "new"


def test_an_empty_folder_is_replaced(tmp_path):
    (tmp_path / "run").mkdir()
    with folder_in_place(tmp_path / "run") as folder:
        (folder / "results.json").touch()
    assert names(tmp_path / "run") == ["results.json"]


@pytest.mark.parametrize(
    ("present", "named"),
    [
        (["tax.pdf"], "holds other files (tax.pdf) and no results.json"),
        (["audio"], "holds other files (audio) and no results.json"),
        (["results.json", "notes.txt"], "holds notes.txt beside an earlier run"),
        (["results.json", ".git"], "holds .git beside an earlier run"),
    ],
)
def test_a_folder_with_other_files_is_never_replaced(tmp_path, present, named):
    (tmp_path / "run").mkdir()
    for name in present:
        (tmp_path / "run" / name).write_text("mine")
    with pytest.raises(RunFolderError) as error, folder_in_place(tmp_path / "run"):
        pytest.fail("the work must not begin")
    assert str(error.value).startswith(f"{tmp_path / 'run'}: {named}")
    assert names(tmp_path) == ["run"]
    assert names(tmp_path / "run") == sorted(present)


def test_files_put_there_while_the_run_went_on_are_kept(tmp_path):
    with pytest.raises(RunFolderError, match=r"mine\.txt"), folder_in_place(tmp_path / "run"):
        (tmp_path / "run").mkdir()
        (tmp_path / "run" / "mine.txt").touch()
    assert names(tmp_path / "run") == ["mine.txt"]


def test_a_file_in_the_folders_place_is_refused(tmp_path):
    (tmp_path / "run").write_text("mine")
    with (
        pytest.raises(RunFolderError, match="is a file; a folder is needed"),
        folder_in_place(tmp_path / "run"),
    ):
        pytest.fail("the work must not begin")
    assert (tmp_path / "run").read_text() == "mine"


@pytest.mark.parametrize(
    ("place", "reason"),
    [("gone/run", "folder {root}/gone does not exist"), ("file/run", "Not a directory")],
)
def test_a_folder_that_cannot_be_made_is_named(tmp_path, place, reason):
    (tmp_path / "file").touch()
    with pytest.raises(RunFolderError) as error, folder_in_place(tmp_path / place):
        pytest.fail("the work must not begin")
    assert str(error.value).startswith(str(tmp_path / place))
    assert reason.format(root=tmp_path) in str(error.value)


def test_a_link_to_a_folder_stays_a_link(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "run").symlink_to(tmp_path / "disk")
    with folder_in_place(tmp_path / "run") as folder:
        (folder / "results.json").touch()
    assert (tmp_path / "run").is_symlink()
    assert names(tmp_path / "disk") == ["results.json"]


HOLDER = """
import sys, time
from pathlib import Path
from chainweigh.audio import folder_in_place
with folder_in_place(Path(sys.argv[1])) as folder:
    (folder / "half.wav").write_text("half")
    print("ready", flush=True)
    time.sleep(60)
"""


def test_a_second_writer_is_refused_and_a_killed_ones_rest_is_removed(tmp_path):
    run = tmp_path / "run"
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, run], stdout=subprocess.PIPE)
    try:
        assert holder.stdout.readline() == b"ready\n"
        with (
            pytest.raises(RunFolderError, match="another run is writing this folder now"),
            folder_in_place(run),
        ):
            pytest.fail("the work must not begin")
        assert names(tmp_path / ".run.partial") == ["half.wav"]
    finally:
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        holder.stdout.close()
    assert names(tmp_path) == [".run.partial"]
    with folder_in_place(run) as folder:
        assert not names(folder)
        (folder / "results.json").touch()
    assert names(tmp_path) == ["run"]


def test_a_run_put_aside_by_a_killed_process_comes_back(tmp_path):
    (tmp_path / ".run.old").mkdir()
    (tmp_path / ".run.old" / "results.json").write_text("earlier")
    with pytest.raises(ValueError), folder_in_place(tmp_path / "run"):
        raise ValueError
    assert names(tmp_path) == ["run"]
    assert (tmp_path / "run" / "results.json").read_text() == "earlier"


def test_the_earlier_run_returns_when_the_rename_fails(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "results.json").write_text("earlier")
    with (
        pytest.raises(RunFolderError, match="cannot be written"),
        folder_in_place(tmp_path / "run") as folder,
    ):
        shutil.rmtree(folder)
    assert (tmp_path / "run" / "results.json").read_text() == "earlier"
    assert names(tmp_path) == ["run"]


def test_temporary_names_differ_so_that_two_writers_do_not_meet(tmp_path):
    with (
        atomic.file_in_place(tmp_path / "a") as first,
        atomic.file_in_place(tmp_path / "a") as last,
    ):
        first.write(b"first")
        last.write(b"last")
    assert (tmp_path / "a").read_bytes() == b"first"
    assert names(tmp_path) == ["a"]
