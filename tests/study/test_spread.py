"""Work shared out among processes: they end with the one that started them, however it ends."""

import signal
import subprocess

import pytest

from tests.study.scripts import ran_script
from wlmeasure.cli import main

KILLED = """
import os, signal
from wlmeasure.study.spread import spread
def work(job, *, processes):
    return os.getpid()
if __name__ == "__main__":
    for job, pid in spread(work, range(20), workers=2):
        assert pid != os.getpid()
        os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no such signal here")
def test_workers_end_when_the_run_is_killed(tmp_path):
    """They hold its standard output: a pipe is at its end only when the last of them is gone."""
    ended = ran_script(tmp_path, KILLED, stdout=subprocess.PIPE, timeout=60)
    assert ended.returncode == -signal.SIGKILL


@pytest.mark.parametrize("command", [["batch", "a", "--out", "t.csv"], ["propose", "a", "--out", "b"]])
def test_a_cluster_has_workers_of_its_own(command, capsys):
    assert main([*command, "--workers", "2", "--scheduler", "tcp://127.0.0.1:1"]) == 1
    assert "--workers must be left out with --scheduler" in capsys.readouterr().err
