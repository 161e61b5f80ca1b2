"""The battery: a sound plug-in passes whole, each fault of the rogue one is found and graded."""

import re
import resource
import shutil

import numpy as np
import pytest

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts import battery, worker_process
from chainweigh.hosts.alignment import Alignment
from chainweigh.hosts.battery import CHECKS, qualify
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.memory_checker import checker_environment
from chainweigh.hosts.pool import POOL, WorkerPool
from chainweigh.hosts.qualification import (
    CARE,
    FAULT,
    NOT_TESTED,
    SAFE,
    SOUND,
    UNTRUSTED,
    WITH_CARE,
    Qualifications,
)
from chainweigh.hosts.scan import Scan

(SEGFAULT, ABORT, EXIT, THROW, SLEEP, SPIN, NOISE, NAN, INF, WRONG_LATENCY, DROP_OUTS, MODE, CHILD,
 LATENCY_CHANGES, SILENT, AT_DESTROY, LEAK, LEAK_FAST, BY_BLOCK, RANDOM, LATER_UNTOLD, OFFSET, HISS,
 ADAPTS, LONG_TAIL, RARELY_MUTE, TURNED, STUCK, OVERRUN, UNWRITTEN) = range(1, 31)  # fmt: skip


@pytest.fixture
def get(plugin_folder, tmp_path):
    return lambda written: find_plugin(written, plugin_folder, Scan(tmp_path / "scan"))


@pytest.fixture
def only(monkeypatch):
    """Leave these checks of the battery, which then takes no longer than it must."""
    return lambda *names: monkeypatch.setattr(battery, "CHECKS", {n: CHECKS[n] for n in names})


@pytest.mark.parametrize(
    ("written", "exact"),
    [
        ("steady.clap#org.example.steady", "exactly (6 tried)"),
        ("steady.lv2#urn:chainweigh:steady", "to 5e-09 of its range (8 tried)"),  # float32
        ("steady.vst3#636861696E77656967682D7465737401", "exactly (8 tried)"),
    ],
)
def test_a_well_behaved_plug_in_is_safe_to_rank(get, written, exact):
    found = qualify(get(written))
    assert found.verdict == SAFE
    unlooked = {"memory bounds"} if checker_environment() is None else set()
    assert {f.check for f in found.findings if f.grade != SOUND} == unlooked
    told = {finding.check: finding.text for finding in found.findings}
    assert told["latency"] == "reports 64 frames (1.3 ms), as measured"
    assert told["parameters"] == f"each of its parameters holds what it is set to, {exact}"
    assert told["state"] == "its saved state brings its sound back"


def test_one_by_a_framework_of_others_is_safe_to_rank(framework_folder, tmp_path):
    found = qualify(find_plugin("halves.vst3", framework_folder, Scan(tmp_path / "scan")))
    assert found.verdict == SAFE, found.summary


@pytest.mark.parametrize(
    ("check", "fault", "grade", "said"),
    [
        ("running", SEGFAULT, FAULT, r"crashed while processing \(segmentation fault\)"),
        ("running", EXIT, FAULT, r"exit code 0"),
        ("running", NAN, FAULT, r"its output holds NaN"),
        ("running", AT_DESTROY, FAULT, r"crashed while being destroyed \(aborted\)"),
        ("latency", WRONG_LATENCY, CARE, r"reports 100 frames .* is 300 frames .* late"),
        ("steady latency", LATENCY_CHANGES, FAULT, r"it reports changes .* 100 frames, then 300"),
        ("steady latency", LATER_UNTOLD, FAULT, r"its delay changes .* 100 frames, 300 after"),
        ("repeats", RANDOM, FAULT, r"gives another output each time, -5\d dB apart"),
        ("block length", BY_BLOCK, CARE, r"depends on the length of the host's blocks"),
        ("adapts", ADAPTS, CARE, r"adapts to the programme"),
        ("steady level", RARELY_MUTE, FAULT, r"drops out 2 times"),
        ("steady level", SILENT, FAULT, r"its output is silent"),
        ("silence", HISS, CARE, r"makes sound by itself: -60 dBFS peak"),
        ("DC offset, polarity", OFFSET, CARE, r"adds a DC offset of -40 dBFS"),
        ("DC offset, polarity", TURNED, CARE, r"turns the polarity"),
        ("tail", LONG_TAIL, CARE, r"rings for 7\.\d s to -60 dB; 1\.0 s of it are kept"),
        ("memory", LEAK, CARE, r"keeps 2\.\d MiB of memory an instance"),
    ],
)
def test_a_fault_is_found_and_graded(get, only, check, fault, grade, said):
    only(check)
    found = qualify(get("rogue.so"), {"Fault": fault})
    assert found.verdict == {FAULT: UNTRUSTED, CARE: WITH_CARE}[grade]
    (reason,) = found.reasons
    assert re.search(said, reason), reason


@pytest.mark.parametrize(
    "written", ["rogue.clap", "rogue.lv2", "steady.vst3#636861696E77656967682D7465737407"]
)
def test_what_does_not_repeat_or_leaks_is_found_in_the_other_formats(get, only, written):
    plugin = get(written)
    for check, fault, grade, said in (
        ("repeats", RANDOM, FAULT, "gives another output each time"),
        ("block length", BY_BLOCK, CARE, "depends on the length of the host's blocks"),
        ("memory", LEAK, CARE, r"keeps 2\.\d MiB of memory an instance"),
    ):
        only(check)
        (finding,) = qualify(plugin, {"Fault": fault}).findings
        assert finding.grade == grade
        assert re.search(said, finding.text), finding.text


def test_damaged_and_unwritten_memory_is_found_where_the_c_library_has_a_checker(
    get, only, missing
):
    if checker_environment() is None:
        missing("no checker of memory (glibc's libc_malloc_debug.so.0)")
    only("memory bounds")
    for fault, said in (
        (0, "writes and reads no memory but its own"),
        (OVERRUN, r'damages memory.*crashed while .*aborted\); it last said "free\(\): invalid'),
        (UNWRITTEN, "its output depends on memory it never wrote"),
    ):
        (finding,) = qualify(get("rogue.clap"), {"Fault": fault}).findings
        assert finding.grade == (FAULT if fault else SOUND)
        assert re.search(said, finding.text), finding.text


def test_a_parameter_that_does_not_hold_its_value_is_found(get, only):
    only("parameters")
    (finding,) = qualify(get("rogue.clap")).findings
    assert (finding.grade, finding.text) == (CARE, 'does not hold what it is set to: "Stubborn"')


def test_what_it_does_to_its_process_is_told(get, only):
    only("running", "process")
    for fault, check, grade in (
        (NOISE, "messages", SOUND),
        (MODE, "floating point", CARE),
        (CHILD, "processes", CARE),
    ):
        quiet, loud = (qualify(get("rogue.so"), {"Fault": each}).findings for each in (0, fault))
        (before,), (after,) = ([f for f in each if f.check == check] for each in (quiet, loud))
        assert (before.grade, after.grade) == (SOUND, grade)
        assert before.text != after.text


def test_a_fault_at_the_end_of_a_parameter_is_found(get, only):
    only("extreme settings")
    (finding,) = qualify(get("rogue.so")).findings
    assert (finding.grade, finding.text) == (
        FAULT,
        'with "Fault" at 31: it crashed while processing (aborted)',
    )


def test_after_a_hang_the_rest_is_not_tested(get, only, monkeypatch):
    only("running", "latency", "silence")
    plugin = get("rogue.so")
    monkeypatch.setattr(worker_process, "STALL_S", 3.0)
    found = qualify(plugin, {"Fault": SPIN})
    assert [f.grade for f in found.findings] == [FAULT, NOT_TESTED, NOT_TESTED]
    assert "no progress for 3 s" in found.summary


def test_a_fault_at_load_is_the_whole_finding(get):
    found = qualify(get("load_segfault.so"))
    assert found.verdict == UNTRUSTED
    assert "crashed while loading" in found.summary


def test_settings_it_cannot_hold_are_refused(get, only):
    only("running")
    with pytest.raises(PluginError, match="out of range"):
        qualify(get("rogue.so"), {"Fault": 99})
    with pytest.raises(PluginError, match="did you mean Fault"):
        qualify(get("rogue.so"), {"Faul": 1})


def test_a_qualification_is_kept_for_the_file_s_content(get, only, tmp_path):
    only("running")
    plugin = get("rogue.so")
    found, special = qualify(plugin), qualify(plugin, {"Fault": NOISE})
    kept = Qualifications(tmp_path)
    kept.keep(found)
    kept.keep(special)
    again = Qualifications(tmp_path)
    assert again.find(plugin.reference, plugin.digest) == found
    assert again.find(plugin.reference, "another digest") is None


def played(plugin, fault, alignment=None):
    samples = np.full((2, 30_000), 0.1, np.float32)
    return plugin.render(
        samples, {0: fault}, sample_rate_hz=48_000, tail_frames=0, alignment=alignment
    )


@pytest.fixture
def dismissed(monkeypatch):
    """Workers of the pool that were thrown away for a fault."""
    found, dismiss = [], WorkerPool._dismiss

    def note(pool, key, worker):
        found.append(worker)
        dismiss(pool, key, worker)

    monkeypatch.setattr(WorkerPool, "_dismiss", note)
    return found


def test_a_plug_in_that_hung_is_waited_for_less_long(
    plugin_folder, tmp_path, monkeypatch, dismissed
):
    shutil.copy(plugin_folder / "rogue.so", tmp_path)
    plugin = find_plugin("rogue.so", tmp_path, Scan(tmp_path / "scan"))
    played(plugin, 0)
    monkeypatch.setattr(worker_process, "STALL_S", 3.0)
    monkeypatch.setattr(worker_process, "HUNG_STALL_S", 1.0)
    for _ in range(2):
        with pytest.raises(
            PluginFaultError, match=r"no progress for 3 s \(1 s from its second hang on"
        ):
            played(plugin, SPIN)
        played(plugin, 0)
    assert [worker.patient for worker in dismissed] == [True, False]


def test_one_that_hangs_when_it_is_destroyed_holds_up_its_next_render_once(
    plugin_folder, tmp_path, monkeypatch, dismissed
):
    shutil.copy(plugin_folder / "rogue.so", tmp_path)
    plugin = find_plugin("rogue.so", tmp_path, Scan(tmp_path / "scan"))
    monkeypatch.setattr(worker_process, "STALL_S", 3.0)
    monkeypatch.setattr(worker_process, "HUNG_STALL_S", 1.0)
    tones = [played(plugin, STUCK, Alignment(100, "agreed"))[0] for _ in range(3)]
    assert {each.tobytes() for each in tones} == {tones[0].tobytes()}
    assert [worker.patient for worker in dismissed] == [True, False]


def test_memory_without_end_is_stopped_and_said(get, monkeypatch):
    inherited = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    limit = max(2**30, round(1.5 * inherited))
    monkeypatch.setattr(worker_process, "MEMORY_LIMIT_BYTES", limit)
    POOL.close()
    with pytest.raises(PluginFaultError, match=r"out of memory: .* GiB is the limit"):
        played(get("rogue.so"), LEAK_FAST)


def test_what_it_last_said_stands_in_the_reason(get):
    with pytest.raises(PluginFaultError, match=r'it last said "\[2Jout of ideas / for good"'):
        played(get("rogue.so"), ABORT)
    with pytest.raises(PluginFaultError, match=r'aborted\); it last said ".*terminate called'):
        played(get("rogue.so"), THROW)


SLOW_HZ = 8_000  # the plug-in's frames pass sooner than they would at a usual rate


def noted(plugin, fault, seconds):
    random = np.random.default_rng(2)
    samples = random.uniform(-0.5, 0.5, (2, seconds * SLOW_HZ)).astype(np.float32)
    _, facts = plugin.render(samples, {0: fault}, sample_rate_hz=SLOW_HZ, tail_frames=0)
    return " ".join(facts.notes)


def test_a_render_notes_that_the_plug_in_adapts_or_moves_in_time(get):
    rogue = get("rogue.so")
    assert "an excerpt rendered by itself differs by" in noted(rogue, ADAPTS, 26)
    assert "its delay changes within the song: 100, 100, 300" in noted(rogue, LATER_UNTOLD, 48)
    assert noted(rogue, 0, 26) == "its output equals its input"
