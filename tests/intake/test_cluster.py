"""Dask's own scheduler and workers, on this machine; measuring itself is a stand-in."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import distributed
import pytest

from runner.diagnostics import RunnerError
from runner.intake.cluster import DaskSubmit, measure_alone
from runner.intake.job import Finished, Job
from runner.pipeline.identity import Identity


def stand_in(job: Job) -> Finished:
    """What a measurement may do: answer, sleep for ever, die."""
    name = job.scans[0].name
    if name.startswith("dies"):
        os._exit(7)
    if name.startswith("sleeps"):
        time.sleep(60)
    job.stage.mkdir(parents=True, exist_ok=True)
    (job.stage / "pid").write_text(str(os.getpid()))
    return Finished(job.claim, fault="as told" if name.startswith("fault") else "", seconds=0.5)


@pytest.fixture(scope="module")
def client():
    import dask

    settings = {
        "distributed.scheduler.allowed-failures": 0,
        "distributed.comm.timeouts.connect": "10s",
        "distributed.worker.memory.terminate": False,
    }
    with (
        dask.config.set(settings),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1"
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as connected,
    ):
        yield connected


def job(folder: Path, name: str) -> Job:
    scan, recipe = folder / name, folder / "recipe.yaml"
    scan.write_text("points")
    recipe.write_text("recipe: 1\n")
    stage = folder / "stages" / name
    stage.parent.mkdir(exist_ok=True)
    return Job(f"claim of {name}", (scan,), recipe, Identity("1"), ("0" * 64,), stage)


def all_of(submit: DaskSubmit, count: int, seconds: float = 40.0) -> list[Finished]:
    found: list[Finished] = []
    until = time.monotonic() + seconds
    while len(found) < count and time.monotonic() < until:
        submit.wait(1.0)
        found += submit.ready()
    return sorted(found, key=lambda f: f.claim)


def test_every_job_comes_back_once_measured_in_other_processes(client, tmp_path):
    submit = DaskSubmit(client=client, measure=stand_in)
    assert submit.capacity() == 2
    names = [f"scan {n}" for n in range(6)]
    found: list[Finished] = []
    for name in names:
        while submit.capacity() == 0:
            submit.wait(5.0)
            found += submit.ready()
        submit.submit(job(tmp_path, name))
    found += all_of(submit, 6 - len(found))
    assert sorted(f.claim for f in found) == [f"claim of {name}" for name in names]
    assert not any(f.fault or f.trouble for f in found)
    pids = {int((tmp_path / "stages" / name / "pid").read_text()) for name in names}
    assert len(pids) == 2 and os.getpid() not in pids
    assert submit.ready() == [] and submit.capacity() == 2
    submit.close(wait=True)


def test_what_measuring_says_of_a_scan_comes_through(client, tmp_path):
    submit = DaskSubmit(client=client, measure=stand_in)
    submit.submit(job(tmp_path, "fault"))
    (found,) = all_of(submit, 1)
    assert (found.claim, found.fault, found.trouble) == ("claim of fault", "as told", "")
    submit.close(wait=True)


def test_a_worker_that_dies_costs_its_scan_alone(client, tmp_path):
    submit = DaskSubmit(client=client, measure=stand_in)
    submit.submit(job(tmp_path, "dies"))
    (found,) = all_of(submit, 1)
    assert "worker died" in found.fault and found.claim == "claim of dies"
    submit.submit(job(tmp_path, "after"))
    (after,) = all_of(submit, 1)
    assert not after.fault and not after.trouble
    submit.close(wait=True)


def test_a_scan_that_takes_too_long_is_given_up_and_its_worker_replaced(client, tmp_path):
    client.wait_for_workers(2, timeout=20)
    submit = DaskSubmit(client=client, measure=stand_in, time_limit_s=1.0)
    submit.submit(job(tmp_path, "sleeps"))
    (found,) = all_of(submit, 1)
    assert "longer than 1 s" in found.fault
    submit = DaskSubmit(client=client, measure=stand_in)
    for number in range(2):
        submit.submit(job(tmp_path, f"after {number}"))
    assert [f.fault + f.trouble for f in all_of(submit, 2)] == ["", ""], "both workers work again"
    submit.close(wait=True)


def test_a_worker_that_does_not_see_the_files_never_holds_a_scan(tmp_path):
    given = job(tmp_path, "gone")
    given.scans[0].unlink()
    found = measure_alone(stand_in, given)
    assert "does not see" in found.trouble and not found.fault


def test_a_scheduler_that_goes_away_is_trouble_not_a_fault(tmp_path):
    """The service tries again later; no scan is held for it."""
    address = tmp_path / "scheduler.json"
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    scheduler = subprocess.Popen(
        [*command, "--no-dashboard", "--no-show", "--scheduler-file", str(address)], stderr=subprocess.DEVNULL
    )
    try:
        until = time.monotonic() + 30
        while not (address.exists() and address.stat().st_size) and time.monotonic() < until:
            time.sleep(0.05)
        submit = DaskSubmit(json.loads(address.read_text())["address"], measure=stand_in)
        assert submit.capacity() == 0, "no worker yet"
        submit.submit(job(tmp_path, "waits"))
    finally:
        scheduler.kill()
        scheduler.wait()
    (found,) = all_of(submit, 1)
    assert "lost" in found.trouble and not found.fault
    assert submit.capacity() == 0
    submit.close(wait=False)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nowhere at all"])
def test_a_cluster_that_is_not_there_is_said(address):
    import dask

    with (
        dask.config.set({"distributed.comm.timeouts.connect": "500ms"}),
        pytest.raises(RunnerError, match="answers at"),
    ):
        DaskSubmit(address)
