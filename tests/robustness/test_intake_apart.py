"""The decoding process dies, hangs, eats memory or talks: the parent goes on and says which file it was."""

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from odd_files import encoded, pattern

from handwriting import intake, page
from handwriting.errors import DamagedFileError, DecodeFailedError, FileNotReadableError, HandwritingError
from handwriting.intake import Bounds, run_apart
from handwriting.page import Limits, read_page

FORKS = hasattr(os, "fork")
STARTS = ["fork", "spawn"] if FORKS else ["spawn"]
needs_fork = pytest.mark.skipif(not FORKS, reason="this system cannot fork")


# Jobs: each stands for a decoder that behaves in one way.


def gives_pixels(data, options, sink):
    pixels = sink.pixels((options["height"], 3))
    pixels[:] = data[0]
    return {"length": len(data)}


def gives_no_pixels(data, options, sink):
    return {"nothing": True}


def crashes(data, options, sink):
    sink.pixels((100, 100))[:] = 1
    os.kill(os.getpid(), options["signal"])


def hangs(data, options, sink):
    lock = threading.Lock()
    lock.acquire()
    lock.acquire()  # a deadlock: no processor time is used


def leaves(data, options, sink):
    os._exit(3)


def exits(data, options, sink):
    sys.exit(3)


def eats_memory(data, options, sink):
    held = []
    while True:
        held.append(bytearray(64 * 1024**2))


def raises(data, options, sink):
    raise {"KeyError": KeyError, "TypeError": TypeError, "RecursionError": RecursionError}[options["kind"]]("so\nit is")


def refuses(data, options, sink):
    raise FileNotReadableError("is of no use", fix="Take another")


def talks(data, options, sink):
    os.write(1, b"noise on one\n")
    os.write(2, b"noise on two\n")
    sys.stdout.write("noise\n")
    sys.stdout.flush()
    warnings.warn("noise", stacklevel=1)
    return {}


def says_who_it_is(data, options, sink):
    Path(options["path"]).write_text(str(os.getpid()), encoding="ascii")
    time.sleep(60)


def tells_its_limits(data, options, sink):
    import resource

    return {"core": resource.getrlimit(resource.RLIMIT_CORE)[0]}


def run(job, options=None, data=b"x", **bounds):
    return run_apart(job, data, options or {}, where="scan.pdf, page 3", bounds=Bounds(**bounds))


@pytest.mark.parametrize("start", STARTS)
def test_pixels_and_answer_come_back(start):
    answer, pixels = run(gives_pixels, {"height": 5}, b"\x07abc", start=start)
    assert answer == {"length": 4}
    assert np.array_equal(pixels, np.full(15, 7))
    assert not pixels.flags.writeable
    assert run(gives_no_pixels, start=start) == ({"nothing": True}, None)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("name", ["SIGSEGV", "SIGABRT", "SIGKILL", "SIGBUS", "SIGTERM"])
def test_death_by_signal_is_named(start, name):
    with pytest.raises(DecodeFailedError, match=rf"scan\.pdf, page 3: the decoder crashed on it \({name}") as failure:
        run(crashes, {"signal": int(getattr(signal, name))}, start=start)
    assert failure.value.fix


@pytest.mark.parametrize("start", STARTS)
def test_hang_is_stopped_by_the_clock(start):
    with pytest.raises(DecodeFailedError, match="took longer than 1 s to decode and was stopped"):
        run(hangs, seconds=1, start=start)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps a limit on address space")
def test_memory_is_bounded(start):
    with pytest.raises(DecodeFailedError, match="needs more memory than one page is allowed"):
        run(eats_memory, memory_bytes=300 * 1024**2, start=start)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("job", [leaves, exits])
def test_end_without_a_result(start, job):
    with pytest.raises(DecodeFailedError, match="ended without a result"):
        run(job, start=start)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("kind", ["KeyError", "TypeError", "RecursionError"])
def test_exception_of_any_type_is_a_damaged_file(start, kind):
    with pytest.raises(DamagedFileError) as failure:
        run(raises, {"kind": kind}, start=start)
    assert failure.value.where == "scan.pdf, page 3"
    assert kind in failure.value.what
    assert "\n" not in failure.value.what.replace("\\n", "")


@pytest.mark.parametrize("start", STARTS)
def test_refusal_arrives_with_file_and_page(start):
    with pytest.raises(FileNotReadableError) as failure:
        run(refuses, start=start)
    error = failure.value
    assert (error.where, error.what, error.fix) == ("scan.pdf, page 3", "is of no use", "Take another")


@pytest.mark.parametrize("start", STARTS)
def test_noise_of_libraries_is_not_heard(start, capfd):
    run(talks, start=start)
    assert capfd.readouterr() == ("", "")


@needs_fork
def test_whole_way_in_survives_a_crashing_decoder(tmp_path):
    path = tmp_path / "scan.tif"
    path.write_bytes(encoded(pattern(), "TIFF"))
    file = page._read_file(path, Limits())
    for job in (crashes_plainly, hangs):
        with pytest.raises(DecodeFailedError, match=r"scan\.tif, page 1: "):
            page._read(file, 1, Limits(seconds=0.5), job=job)
    assert np.array_equal(read_page(path).grey, pattern())


def crashes_plainly(data, options, sink):
    os.kill(os.getpid(), signal.SIGSEGV)


def _held():
    """Return how many files this process holds open, and its children, the dead too; other tests may have some."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text("ascii").split()
    return len(list(Path("/proc/self/fd").iterdir())), set(children)


@needs_fork
@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="looks for what is left in /proc")
def test_nothing_is_left_behind(tmp_path):
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(), "PNG"))
    read_page(path)
    files, children = _held()
    for _ in range(20):
        read_page(path)
        with pytest.raises(DecodeFailedError):
            run(leaves)
        with pytest.raises(DecodeFailedError):
            run(hangs, seconds=0.01)
    files_after, children_after = _held()
    assert files_after <= files
    assert children_after <= children


@needs_fork
def test_child_does_not_outlive_a_killed_parent(tmp_path):
    note = tmp_path / "child"
    program = f"import test_intake_apart as t\nt.run(t.says_who_it_is, {{'path': {str(note)!r}}}, seconds=1)\n"
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path), "."])
    }
    parent = subprocess.Popen([sys.executable, "-c", program], env=environment, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 20
    while not (note.exists() and note.read_text(encoding="ascii")) and time.monotonic() < deadline:
        time.sleep(0.02)
    child = int(note.read_text(encoding="ascii"))
    parent.kill()
    parent.wait()
    deadline = time.monotonic() + 8
    while time.monotonic() < deadline and _runs(child):
        time.sleep(0.1)
    assert not _runs(child)


def _runs(number):
    try:
        return Path(f"/proc/{number}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@needs_fork
def test_without_the_newer_system_calls(monkeypatch, tmp_path):
    monkeypatch.delattr(os, "memfd_create", raising=False)
    monkeypatch.delattr(os, "pidfd_open", raising=False)
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(), "PNG"))
    assert np.array_equal(read_page(path).grey, pattern())
    with pytest.raises(DecodeFailedError, match="took longer"):
        run(hangs, seconds=0.3)
    with pytest.raises(DecodeFailedError, match="crashed"):
        run(crashes, {"signal": int(signal.SIGKILL)})


@needs_fork
def test_host_program_that_collects_children_itself(monkeypatch, tmp_path):
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(), "PNG"))
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the system then collects them at once
    try:
        assert np.array_equal(read_page(path).grey, pattern())
        with pytest.raises(DecodeFailedError, match="ended without a result"):
            run(crashes, {"signal": int(signal.SIGKILL)})
        with pytest.raises(DecodeFailedError, match="took longer"):
            run(hangs, seconds=0.3)
    finally:
        signal.signal(signal.SIGCHLD, before)


@needs_fork
def test_warning_of_newer_pythons_about_forking_is_expected(monkeypatch):
    fork = os.fork

    def warns_first():
        warnings.warn("this process is multi-threaded, use of fork() may lead to deadlocks", DeprecationWarning, 2)
        return fork()

    monkeypatch.setattr(os, "fork", warns_first)
    assert run(gives_no_pixels)[0] == {"nothing": True}


@pytest.mark.skipif(os.name == "nt", reason="no such limit there")
def test_child_writes_no_core_dumps():
    assert run(tells_its_limits)[0] == {"core": 0}


def test_decoders_do_not_load_opencv():
    """OpenCV owns threads, which a fork does not survive: the child must not touch it."""
    program = "import sys, handwriting.decode, handwriting.pdf; sys.exit('cv2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


@pytest.mark.parametrize("start", STARTS)
def test_pages_come_out_the_same_either_way(start, tmp_path):
    rgb = np.dstack([pattern(), 255 - pattern(), pattern() // 2])
    path = tmp_path / "page.png"
    path.write_bytes(encoded(rgb, "PNG"))
    assert np.array_equal(read_page(path, limits=Limits(start=start)).colour, rgb)


def _read_in_worker(path):
    return int(read_page(path).grey.sum())


@needs_fork
def test_works_inside_a_worker_of_a_process_pool(tmp_path):
    """Pool workers are daemons, which may not start processes of their own through multiprocessing."""
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(), "PNG"))
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        assert pool.apply(_read_in_worker, (str(path),)) == pattern().sum()


@needs_fork
def test_works_beside_running_threads(tmp_path):
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(), "PNG"))
    stop = threading.Event()

    def busy():
        while not stop.is_set():
            with Path(os.devnull).open("w", encoding="ascii") as sink:
                print("x" * 10000, file=sink, flush=True)

    threads = [threading.Thread(target=busy) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        for _ in range(20):
            assert np.array_equal(read_page(path).grey, pattern())
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def test_errors_of_the_child_are_ours():
    assert all(issubclass(cls, HandwritingError) for cls in intake._ERRORS.values())
