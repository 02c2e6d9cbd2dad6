import errno
import io

import pytest
from farm import T0, plan

from farmwatch.brain import Brain
from farmwatch.tape import Tape
from farmwatch.wire.intake import Intake
from farmwatch.wire.recording import read
from farmwatch.words.errors import BadRecording, Refused, StoreError
from farmwatch.words.model import Failed, Link, Raw, Said


def lines(path):
    with path.open(encoding="utf-8") as file:
        return list(read(file))


def test_what_comes_in_and_what_people_say_is_a_recording(tmp_path):
    path = tmp_path / "night.jsonl"
    tape = Tape(path)
    engine = tape.engine(Intake([]), Brain(plan()))
    inputs = [
        Link(T0, "mqtt", None, connected=True),
        Raw(T0 + 1, "mqtt", "works/avocet", b"\xff", retained=True),
        Failed(T0 + 2, "http", "http://192.168.1.33/status", "no answer"),
        Said(T0 + 3, "out_of_service", "avocet", "ann", {"reason": "belt"}),
    ]
    for item in inputs:
        engine.feed(item)
    with pytest.raises(Refused):
        engine.feed(Said(T0 + 4, "dance", "avocet", "ann", {}))
    tape.close()
    tape.close()
    assert lines(path)[:4] == inputs
    assert lines(path)[4].command == "dance", "refused here, and refused again in a replay"


def test_a_recording_goes_on_at_its_end_and_is_in_order_of_time(tmp_path):
    path = tmp_path / "night.jsonl"
    for start_s in (T0, T0 + 100):
        tape = Tape(path)
        for late_s in (0.0, 2.0, 1.0):
            tape.write(Raw(start_s + late_s, "mqtt", "works/avocet", b"{}"))
        tape.close()
    assert [item.at_s - T0 for item in lines(path)] == [0, 2, 2, 100, 102, 102]


def test_a_clock_set_back_between_two_runs_is_not_hidden(tmp_path):
    path = tmp_path / "night.jsonl"
    for at_s in (T0, T0 - 100):
        tape = Tape(path)
        tape.write(Raw(at_s, "mqtt", "works/avocet", b"{}"))
        tape.close()
    with pytest.raises(BadRecording, match="earlier"):
        lines(path)


def test_a_full_disk_ends_the_recording_and_nothing_else(tmp_path, caplog):
    class Full(io.StringIO):
        def write(self, _text):
            raise OSError(errno.ENOSPC, "No space left on device")

    tape = Tape(tmp_path / "night.jsonl")
    tape._file.close()
    tape._file = Full()
    for second in range(3):
        tape.write(Raw(T0 + second, "mqtt", "works/avocet", b"{}"))
    assert caplog.text.count("recording has ended") == 1


def test_a_folder_that_is_not_there_is_said(tmp_path):
    with pytest.raises(StoreError, match="No such file"):
        Tape(tmp_path / "nowhere" / "night.jsonl")
