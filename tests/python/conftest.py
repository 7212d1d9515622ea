"""What the tests of the Python module share: a small scenario, its capture, and the program beside the module."""
import os
import subprocess

import pytest

import cohlink

# Estimated FFT plans: the program and the module then transform alike whatever either has in its cache.
SMALL = {
    "signal.symbols": 8192,
    "run.fft_planning": "estimated",
    "channel.osnr_db": 12,
    "transmitter.laser_linewidth_khz": 100,
    "laser_lo.linewidth_khz": 100,
    "laser_lo.frequency_offset_mhz": 200,
    "channel.polarisation_rotation_deg": 30,
}


@pytest.fixture
def scenario():
    return cohlink.Scenario(SMALL)


@pytest.fixture(scope="session")
def capture():
    return cohlink.simulate(cohlink.Scenario(SMALL), seed=3)


@pytest.fixture
def program(tmp_path):
    """Runs the program in a scratch folder; gives its standard output."""

    def run(*arguments):
        done = subprocess.run([os.environ["COHLINK"], *map(str, arguments)], cwd=tmp_path, text=True,
                              stdin=subprocess.DEVNULL, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return run
