"""Measuring in worker processes, so that the page answers meanwhile and one that dies takes nothing along.

The queue is the record itself: a check without an outcome is what is still to do. So it survives a restart,
and two things can't disagree about it.
"""

import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess

from grindcheck import __version__
from grindcheck.errors import GrindcheckError
from grindcheck.record import checks
from grindcheck.record.entries import Outcome
from grindcheck.record.opening import Place, Record, open_record

LONGEST_S = 900.0  # of one check; a pair of 48 megapixels takes half a minute on two slow cores
KEPT_S = 120.0  # a worker that has nothing to do keeps its libraries loaded for so long
LOOK_AGAIN_S = 30.0  # for checks that another program put into the record

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_NICER = 10  # pages are answered first

Job = Callable[[Connection, Place], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Where a check is.

    Parameters
    ----------
    words : str
    number, of : int
        Of the steps; 0 while it waits.
    seconds : float
        Since a worker took it.
    ahead : int
        Checks that are measured before it.
    """

    words: str
    number: int
    of: int
    seconds: float
    ahead: int


@dataclass(slots=True)
class _Taken:
    since: float
    words: str = "Starting"
    number: int = 0
    of: int = 0


def usual_workers() -> int:
    """Return how many workers leave a core for the page."""
    return max(1, (os.cpu_count() or 2) - 1)


class Work:
    """The workers and what they are at.

    Parameters
    ----------
    record : Record
    workers : int
    job : callable
        Runs in the worker: `measure_in_worker`, or a test's own.
    longest_s : float
    """

    def __init__(
        self,
        record: Record,
        *,
        workers: int | None = None,
        job: Job | None = None,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._record = record
        self._job = job or measure_in_worker
        self._longest_s = longest_s
        self._changed = threading.Condition()
        self._taken: dict[str, _Taken] = {}
        self._ending = False
        self._processes: dict[int, BaseProcess] = {}
        self._threads = [
            threading.Thread(target=self._bench, args=(number,), name=f"bench-{number}", daemon=True)
            for number in range(workers or usual_workers())
        ]

    def start(self) -> None:
        """Begin with what waits."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End the workers; a check that is cut short waits for the next start."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        for process in list(self._processes.values()):
            process.terminate()
        for thread in self._threads:
            thread.join(timeout=10)

    def nudge(self) -> None:
        """Say that a check was added."""
        with self._changed:
            self._changed.notify_all()

    def step(self, check_id: str) -> Step:
        """Tell where a check without an outcome is."""
        with self._changed:
            taken = self._taken.get(check_id)
            if taken is not None:
                seconds = time.monotonic() - taken.since
                return Step(words=taken.words, number=taken.number, of=taken.of, seconds=seconds, ahead=0)
            busy = len(self._taken)
        ahead = 0
        for check in checks.waiting(self._record):
            if check.id == check_id:
                break
            ahead += check.id not in self._taken
        return Step(words="Waiting", number=0, of=0, seconds=0.0, ahead=ahead + busy)

    def worker_ids(self) -> list[int]:
        """Return the process numbers of the workers that run."""
        return [process.pid for process in self._processes.values() if process.pid and process.is_alive()]

    def _take(self, *, patience_s: float) -> str | None:
        """Return a check that waits and is nobody's, or None after a while without one, or at the end."""
        deadline = time.monotonic() + patience_s
        while True:
            try:
                waiting = checks.waiting(self._record)
            except GrindcheckError:  # a record that can't be read now may be read later
                waiting = []
            with self._changed:
                if self._ending:
                    return None
                for check in waiting:
                    if check.id not in self._taken:
                        self._taken[check.id] = _Taken(since=time.monotonic())
                        return check.id
                left = deadline - time.monotonic()
                if left <= 0:
                    return None
                self._changed.wait(timeout=min(left, LOOK_AGAIN_S))

    def _bench(self, number: int) -> None:
        """Keep one worker busy."""
        while not self._ending:
            check_id = self._take(patience_s=LOOK_AGAIN_S)
            if check_id is None:
                continue
            ours, theirs = multiprocessing.get_context("spawn").Pipe()
            process = multiprocessing.get_context("spawn").Process(
                target=self._job,
                args=(theirs, self._record.place),
                name=f"grindcheck-worker-{number}",
                daemon=True,
            )
            process.start()
            theirs.close()
            self._processes[number] = process
            try:
                while check_id is not None:
                    alive = self._measure(check_id, ours, process)
                    with self._changed:
                        del self._taken[check_id]
                    check_id = self._take(patience_s=KEPT_S) if alive else None
            finally:
                ours.close()
                process.join(timeout=5)
                if process.is_alive():
                    process.kill()
                    process.join(timeout=5)
                del self._processes[number]

    def _measure(self, check_id: str, ours: Connection, process: BaseProcess) -> bool:
        """Have one check measured; whether the worker can go on."""
        deadline = time.monotonic() + self._longest_s
        try:
            ours.send(check_id)
            while (left := deadline - time.monotonic()) > 0:
                if ours not in wait([ours, process.sentinel], timeout=left):
                    break
                words, step, of = ours.recv()
                if step > of:
                    return True
                with self._changed:
                    taken = self._taken[check_id]
                    taken.words, taken.number, taken.of = words, step, of
        except (EOFError, OSError):
            pass  # the worker is gone, which shows below
        if self._ending:
            return False
        ended = time.monotonic() < deadline
        process.kill()
        with suppress(GrindcheckError):  # thrown away meanwhile; or it can't be written now, and waits on
            self._report(check_id, ended=ended)
        return False

    def _report(self, check_id: str, *, ended: bool) -> None:
        if checks.check(self._record, check_id).outcome is not None:
            return  # it died with its work done
        failed(
            self._record,
            check_id,
            "The measuring was ended from outside before it had a result."
            if ended
            else f"The measuring took more than {self._longest_s / 60:.0f} minutes and was ended.",
            "The photos are kept: measure again. If it happens again, close other programs, or take the "
            "photos at 12 megapixels.",
        )


def failed(record: Record, check_id: str, error: str, advice: str) -> None:
    """Say in the record that a check has no result, and why."""
    told = Outcome(
        at=datetime.now(UTC), state="failed", error=error, advice=advice, program_version=__version__
    )
    checks.add_outcome(record, check_id, told)


def measure_in_worker(pipe: Connection, place: Place) -> None:
    """Measure what the pipe names until it is closed: the whole life of a worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C ends the page, and the page ends its workers
    for name in _ONE_THREAD:
        os.environ[name] = "1"
    os.environ.setdefault("MALLOC_ARENA_MAX", "2")
    if hasattr(os, "nice"):
        os.nice(_NICER)
    import cv2

    from grindcheck.record.measuring import measure_check, steps_of_check

    cv2.setNumThreads(1)
    record = open_record(place)
    while True:
        try:
            check = checks.check(record, pipe.recv())
        except EOFError:
            return
        steps = steps_of_check(check)

        def told(words: str, steps: tuple[str, ...] = steps) -> None:
            pipe.send((words, steps.index(words) + 1 if words in steps else 1, len(steps)))

        if check.outcome is None:
            try:
                checks.add_outcome(record, check.id, measure_check(record, check, progress=told))
            except Exception as problem:  # a mistake of the program ends this check, not the queue
                traceback.print_exc()
                with suppress(GrindcheckError):
                    failed(
                        record,
                        check.id,
                        f"Something unforeseen went wrong ({type(problem).__name__}: {problem}).",
                        "The photos are kept. Report what the window of grindcheck serve shows.",
                    )
        pipe.send(("Done", len(steps) + 1, len(steps)))
