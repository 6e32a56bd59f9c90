"""Starts what the external checks look at: the simulated instruments, a finished run."""

import json
import pathlib
import subprocess

import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
BINARY = ROOT / "target" / "release" / "beamwarden"


@pytest.fixture(scope="session")
def root():
    """The repository."""
    return ROOT


@pytest.fixture(scope="session")
def binary():
    assert BINARY.is_file(), "build first: cargo build --release"
    return BINARY


@pytest.fixture()
def served(binary):
    """What `beamwarden sim` says about the instruments that it serves on free ports."""
    process = subprocess.Popen(
        [binary, "sim", "--json", "--port", "0"], stdout=subprocess.PIPE, text=True
    )
    try:
        # One object on the first line, as soon as everything listens.
        served = json.loads(process.stdout.readline())
        yield served["instruments"]
    finally:
        process.terminate()
        assert process.wait(timeout=10) == 0


@pytest.fixture()
def simulated(served):
    """Role -> address of the served instruments: sockets, and a serial line for the chips."""
    return {entry["role"]: entry["address"] for entry in served}


@pytest.fixture()
def over_hislip(served):
    """Role -> HiSLIP address of the served instruments."""
    return {entry["role"]: entry["hislip"] for entry in served}


@pytest.fixture(params=["sockets and serial line", "hislip"])
def addresses(request, simulated, over_hislip):
    """Role -> address, by either way."""
    return over_hislip if request.param == "hislip" else simulated


@pytest.fixture(scope="session")
def story_run(binary, tmp_path_factory):
    """The folder of a finished run of the main job."""
    runs = tmp_path_factory.mktemp("runs")
    done = subprocess.run(
        [binary, "run", "sequences/rotate-and-recover.yaml", "--runs", runs],
        cwd=ROOT, capture_output=True, text=True, timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (folder,) = [path for path in runs.iterdir() if path.is_dir()]
    return folder
