"""The demonstration's folder: other commands can be pointed at it, and it can be kept."""

import json
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from test_cli import farmwatch

from farmwatch.cli_demo import configuration


def test_options_stand_in_its_configuration():
    plain, told = (
        tomllib.loads(configuration(speed=None, seed=None, port=None)),
        configuration(speed=1000.0, seed=3, port=0),
    )
    said = tomllib.loads(told)
    assert (said["simulated"]["speed"], said["simulated"]["seed"]) == (1000.0, 3)
    assert 1024 < said.pop("web")["port"] < 65536, "a free one, by its number, so that commands find it"
    said["simulated"] = plain["simulated"]
    assert said == plain


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine", "utf-8")
    done = farmwatch("demo", "--keep", tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert "holds something already" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    done = farmwatch("demo", "--keep", tmp_path / "mine.txt")
    assert done.returncode == 1
    assert "name a new or an empty folder" in done.stderr


@pytest.mark.real
def test_commands_work_on_a_running_demonstration_and_on_what_it_leaves(tmp_path):
    folder = tmp_path / "shop"
    command = [sys.executable, "-m", "farmwatch", "demo", "--keep", str(folder), "--port", "0", "--speed", "100"]
    config = ("--config", folder / "farmwatch.toml")
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=Path(__file__).parents[1]
    ) as demo:
        try:
            said = ""
            while "page: " not in said:
                line = demo.stdout.readline()
                assert line, said
                said += line
            assert f"farmwatch status --config {folder}/farmwatch.toml" in said
            spools = json.loads(farmwatch("spools", "export", "--json", *config).stdout)
            assert {spool["machine"] for spool in spools} >= {"avocet", "lapwing"}
            wanted = tmp_path / "wanted.csv"
            wanted.write_text("job;pieces\npane-clip;12\n", "utf-8")
            assert farmwatch("work", "import", wanted, *config).stdout == "1 taken\n"
            assert "pane-clip" in farmwatch("work", "export", *config).stdout
        finally:
            demo.send_signal(signal.SIGTERM)
            demo.communicate(timeout=30)
    assert demo.returncode == 0
    assert farmwatch("store", "check", *config).returncode == 0
    assert farmwatch("work", "export", *config).returncode == 69, "over"
