"""Processes that measure pairs, so that all cores work and a pair that crashes costs only itself."""

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

from grindcheck.batch import Job, as_data, seen
from grindcheck.batch_measuring import measure
from grindcheck.memory import available_bytes

Measure = Callable[[dict[str, Any]], dict[str, Any]]

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_LIMIT_S = 300.0  # a pair takes seconds
_WAIT_S = 1.0
_CONNECT_S = 10
# README "Time and memory": 332 to 412 MB for a pair of 12 megapixels, 895 MB for one of 48
_PROCESS_BYTES, _PIXEL_BYTES = 300_000_000, 16
_PICTURE_BYTES = 200_000_000  # more for a picture of the result
_AHEAD = 2  # pairs a processor of a cluster, so that none waits for photos to travel


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: "Connection[Any, Any]"
    job: Job | None = None
    since: float = 0.0


def cores() -> int:
    """Return the processors that this process may use."""
    return os.process_cpu_count() or 1 if hasattr(os, "process_cpu_count") else os.cpu_count() or 1


def workers_for(jobs: Sequence[Job], wanted: int | None) -> int:
    """Return how many processes may measure: as many as cores, and as the memory left holds.

    Parameters
    ----------
    jobs : sequence of Job
    wanted : int, optional
        By the user, instead of the cores.

    Returns
    -------
    int
        One at least.
    """
    most = min(wanted or cores(), max(len(jobs), 1))
    left = available_bytes()
    return most if left is None else max(min(most, left // _needed_bytes(jobs)), 1)


def _needed_bytes(jobs: Sequence[Job]) -> int:
    """Return what one process needs for the largest of the photos."""
    largest = max((seen(job).pixels for job in jobs), default=0)
    return _PROCESS_BYTES + _PIXEL_BYTES * largest + _PICTURE_BYTES * any(job.files for job in jobs)


def measured_here(
    jobs: Sequence[Job], workers: int, *, measure: Measure = measure, limit_s: float = _LIMIT_S
) -> Iterator[tuple[Job, dict[str, Any]]]:
    """Measure pairs in processes of their own and yield each as it is done, in any order.

    Parameters
    ----------
    jobs : sequence of Job
    workers : int
    measure : callable
        Must be importable by name.
    limit_s : float
        After which a pair is given up.

    Yields
    ------
    (Job, dict)
        Cells of its row; a crash or a pair that takes too long gives an ``error``.
    """
    left = list(reversed(jobs))
    busy: list[_Worker] = []
    try:
        while left or busy:
            while left and len(busy) < workers:
                busy.append(_started(measure))
                _hand_out(busy[-1], left.pop())
            ready = set(wait([worker.pipe for worker in busy], timeout=_WAIT_S))
            for worker in list(busy):
                job = worker.job
                assert job is not None
                if worker.pipe in ready:
                    told = _answer(worker)
                elif time.monotonic() - worker.since > limit_s:
                    told = None
                    worker.process.kill()
                else:
                    continue
                if told is None:
                    busy.remove(worker)
                    over = time.monotonic() - worker.since > limit_s
                    _end(worker)
                    yield job, {"error": _gone(limit_s if over else None)}
                    continue
                if left:
                    _hand_out(worker, left.pop())
                else:
                    busy.remove(worker)
                    _end(worker)
                yield job, told
    finally:
        for worker in busy:
            worker.process.kill()
            _end(worker)


def measured_on_cluster(jobs: Sequence[Job], address: str) -> Iterator[tuple[Job, dict[str, Any]]]:
    """Measure pairs on a Dask cluster: the photos' bytes travel, so that no folder is shared.

    Two pairs a processor are under way at a time, so that neither here nor there all photos are held at once.

    Parameters
    ----------
    jobs : sequence of Job
    address : str
        Of the scheduler, as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    InputError
        If dask.distributed isn't installed, or nobody answers at the address.
    """
    from grindcheck.errors import InputError

    try:
        import distributed
    except ImportError:
        raise InputError(
            "A cluster needs dask.distributed, which isn't installed.",
            advice='pip install "grindcheck[cluster]"',
        ) from None
    try:
        client: Any = distributed.Client(  # type: ignore[no-untyped-call]
            address, timeout=_CONNECT_S
        )
    except (OSError, ValueError):
        raise InputError(
            f"No cluster answers at {address}.", advice="Start dask scheduler there, and give its address."
        ) from None
    with client:
        left = iter(jobs)
        pairs: dict[Any, Job] = {}
        under_way: Any = distributed.as_completed()  # type: ignore[no-untyped-call]

        def hand_out(job: Job) -> None:
            future = client.submit(_sent, as_data(job), _bytes(job), pure=False)
            pairs[future] = job
            under_way.add(future)

        for job in islice(left, _AHEAD * max(sum(client.ncores().values()), 1)):
            hand_out(job)
        for future in under_way:
            done = pairs.pop(future)
            told = future.result() if future.status == "finished" else {"error": _gone(None)}
            future.release()
            for job in islice(left, 1):
                hand_out(job)
            yield done, told


def _bytes(job: Job) -> list[bytes | None]:
    return [path.read_bytes() if path.is_file() else None for path in job.photos]


def _sent(job: dict[str, Any], photos: list[bytes | None]) -> dict[str, Any]:
    """Measure photos that came as bytes, in a folder that goes away."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        places = []
        for number, (name, data) in enumerate(zip(job["photos"], photos, strict=True)):
            place = Path(folder) / str(number) / Path(name).name  # two folders may have files of one name
            place.parent.mkdir()
            if data is not None:
                place.write_bytes(data)
            places.append(str(place))
        return measure(job | {"photos": places})


def _started(measure: Measure) -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))  # each process has one core
    try:
        process = context.Process(target=_serve, args=(theirs, measure), daemon=True)
        process.start()
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
    theirs.close()
    return _Worker(process=process, pipe=ours)


def _hand_out(worker: _Worker, job: Job) -> None:
    worker.job, worker.since = job, time.monotonic()
    with suppress(OSError):  # it has ended since: the pipe's end tells, as for one that crashes
        worker.pipe.send(as_data(job))


def _answer(worker: _Worker) -> dict[str, Any] | None:
    """Return what a worker told, or None if it is gone."""
    try:
        told: dict[str, Any] = worker.pipe.recv()
    except (EOFError, OSError):
        return None
    return told


def _gone(limit_s: float | None) -> str:
    if limit_s is not None:
        return f"It took longer than {limit_s:.0f} s. Measure this pair by itself with grindcheck check."
    return "Its process ended without an answer. Measure this pair by itself with grindcheck check."


def _end(worker: _Worker) -> None:
    worker.pipe.close()
    worker.process.join(timeout=5.0)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()


def _serve(pipe: "Connection[Any, Any]", measure: Measure) -> None:
    """Measure whatever comes through the pipe until it is closed, on one core."""
    import cv2

    cv2.setNumThreads(1)
    while True:
        try:
            job = pipe.recv()
        except (EOFError, OSError, KeyboardInterrupt):
            return
        try:
            told = measure(job)
        except KeyboardInterrupt:
            return
        except Exception as problem:
            told = {"error": f"Something unforeseen went wrong ({type(problem).__name__}: {problem})."}
        try:
            pipe.send(told)
        except (OSError, KeyboardInterrupt):  # who asked is gone
            return
