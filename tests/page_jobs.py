"""Workers' jobs for the tests of the queue: spawned processes import them by name."""

import os
import time
from datetime import UTC, datetime

from grindcheck.record import checks
from grindcheck.record.entries import Outcome
from grindcheck.record.opening import open_record


def measured(pipe, place):
    """Give every check a verdict at once."""
    with open_record(place) as record:
        while True:
            try:
                check_id = pipe.recv()
            except EOFError:
                return
            pipe.send(("Looking", 1, 2))
            told = Outcome(at=datetime.now(UTC), state="done", verdict="match", program_version="test")
            checks.add_outcome(record, check_id, told)
            pipe.send(("Done", 3, 2))


def endless(pipe, place):
    """Never come to an end."""
    pipe.recv()
    pipe.send(("Looking", 1, 2))
    time.sleep(600)


def dying(pipe, place):
    """End as a process does whose memory isn't enough."""
    pipe.recv()
    os._exit(9)
