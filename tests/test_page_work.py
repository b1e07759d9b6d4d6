"""The queue: what waits is measured, what dies is told, what is cut short waits for the next start."""

import io
import os
import signal
import time

import page_jobs
import psutil
import pytest
from page_shop import SAMPLES, jpeg

from grindcheck.page.work import Work, usual_workers
from grindcheck.record import binning, checks, knives, vault
from grindcheck.record.entries import KnifeFacts
from grindcheck.record.opening import open_record

PATIENCE_S = 60.0  # a spawned process loads its libraries first, and the machine may be busy


@pytest.fixture
def record(tmp_path):
    with open_record(tmp_path) as found:
        yield found


def ask(record, count=1, **more):
    knife = knives.add_knife(record, KnifeFacts(name="k"))
    shas = [vault.add_photo(record, io.BytesIO(jpeg(n))).sha256 for n in (1, 2)]
    photos = [(sha, "x.jpg", "face") for sha in shas]
    asked = {"thickness_mm": 4.0}
    return [
        checks.add_check(record, knife.id, "symmetry", photos=photos, asked=asked).id for _ in range(count)
    ]


def until(test):
    deadline = time.monotonic() + PATIENCE_S
    while not test():
        assert time.monotonic() < deadline, "it took too long"
        time.sleep(0.05)


def done(record, ids):
    return all(checks.check(record, one).outcome is not None for one in ids)


@pytest.fixture
def working(record):
    started = []

    def start(job, **more):
        work = Work(record, workers=more.pop("workers", 1), job=job, **more)
        started.append(work)
        work.start()
        return work

    yield start
    for work in started:
        work.stop()
        assert work.worker_ids() == []


def test_what_waits_is_measured_in_its_order(record, working):
    ids = ask(record, 3)
    work = working(page_jobs.measured)
    until(lambda: done(record, ids))
    at = [checks.check(record, one).outcome.at for one in ids]
    assert at == sorted(at)
    assert len(work.worker_ids()) == 1  # one worker for all three
    later = ask(record)
    work.nudge()
    until(lambda: done(record, later))


def test_a_check_tells_where_it_is(record, working):
    ids = ask(record, 3)
    work = working(page_jobs.endless)
    until(lambda: work.step(ids[0]).number == 1)
    step = work.step(ids[0])
    assert (step.words, step.of, step.ahead) == ("Looking", 2, 0)
    assert [work.step(one).ahead for one in ids[1:]] == [1, 2]
    assert work.step(ids[1]).words == "Waiting"


def test_a_killed_worker_is_told_and_the_next_check_goes_on(record, working):
    first, second = ask(record, 2)
    work = working(page_jobs.endless)
    until(lambda: work.step(first).number == 1)
    (worker,) = work.worker_ids()
    os.kill(worker, signal.SIGTERM if os.name == "nt" else signal.SIGKILL)
    until(lambda: done(record, [first]))
    outcome = checks.check(record, first).outcome
    assert outcome.state == "failed"
    assert outcome.error == "The measuring was ended from outside before it had a result."
    assert "measure again" in outcome.advice
    until(lambda: work.step(second).number == 1)


def test_a_worker_that_ends_by_itself_is_told(record, working):
    ids = ask(record, 2)
    working(page_jobs.dying)
    until(lambda: done(record, ids))
    assert {checks.check(record, one).outcome.state for one in ids} == {"failed"}


def test_a_check_that_takes_too_long_is_ended(record, working):
    ids = ask(record)
    work = working(page_jobs.endless, longest_s=3.0)
    until(lambda: done(record, ids))
    assert "was ended" in checks.check(record, ids[0]).outcome.error
    until(lambda: work.worker_ids() == [])


def test_a_check_that_is_thrown_away_meanwhile_stops_nothing(record, working):
    (first,) = ask(record)
    (second,) = ask(record)
    work = working(page_jobs.endless)
    until(lambda: work.step(first).number == 1)
    binning.throw_away(record, "check", first)
    binning.empty_bin(record)
    psutil.Process(work.worker_ids()[0]).kill()
    until(lambda: work.step(second).number == 1)


def test_the_queue_survives_a_restart(record, working):
    ids = ask(record, 2)
    work = working(page_jobs.endless)
    until(lambda: work.step(ids[0]).number == 1)
    work.stop()
    assert [one.id for one in checks.waiting(record)] == ids  # cut short isn't failed
    working(page_jobs.measured)
    until(lambda: done(record, ids))


def test_workers_are_bounded(record, working):
    ids = ask(record, 5)
    work = working(page_jobs.endless, workers=2)
    until(lambda: sum(work.step(one).number == 1 for one in ids) == 2)
    assert len(work.worker_ids()) == 2
    assert usual_workers() == max(1, (os.cpu_count() or 2) - 1)


def test_a_worker_measures_a_pair_and_leaves_the_machine_to_others(record, working):
    knife = knives.add_knife(record, KnifeFacts(name="k"))
    photos = [
        (vault.add_photo(record, SAMPLES / name).sha256, name, "face")
        for name in ("field_knife_a_1.jpg", "field_knife_a_2.jpg")
    ]
    asked = {"thickness_mm": 3.96875}
    check = checks.add_check(record, knife.id, "symmetry", photos=photos, asked=asked)
    work = working(None)
    seen = set()

    def measured():
        seen.add(work.step(check.id).words)
        return done(record, [check.id])

    until(measured)
    outcome = checks.check(record, check.id).outcome
    assert outcome.verdict == "mismatch"
    assert seen - {"Waiting", "Starting"}  # real steps of the chain were told
    assert set(outcome.result["drawing"]["sides"]) == {"left", "right"}
    if os.name != "nt":
        (worker,) = work.worker_ids()
        assert psutil.Process(worker).nice() == 10
