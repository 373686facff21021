"""What measuring processes do in the tests of ``workers``: by the name of the scan."""

from __future__ import annotations

import os
import signal
import time

from runner.intake.job import Finished, Job


def measure(job: Job) -> Finished:
    name = job.scans[0].name
    if name == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if name == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if name == "exit":
        os._exit(7)
    if name == "hang":
        time.sleep(1000)
    if name == "raise":
        raise RuntimeError("no such luck")
    if name == "memory":
        held = bytearray(5_000_000_000)  # in one piece: refused at once, however busy the machine is
        return Finished(job.claim, f"got {len(held)}")
    if name == "slow":
        time.sleep(0.3)
    return Finished(job.claim, fault=f"measured by {os.getpid()} with {os.environ.get('NUMBA_NUM_THREADS')} threads")
