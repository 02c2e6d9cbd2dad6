"""Minutes of nonsense at one door, by hand.

    .venv/bin/python tests/bench/fuzz.py DOOR MINUTES [--seed N] [--plain] [--found FOLDER]

DOOR is one of tests/fuzz/doors.py, or api (raw requests), or described (schemathesis with many examples). Where atheris
is installed (`pip install atheris`; it is in no lock) coverage guides what is tried; `--plain` or without it the seeded
mutations of CI go on for that long. Finds are written to the folder, and the way back is said: mend it, and keep the
input in tests/fuzz/corpus/DOOR. api is not guided: the server answers in another thread.
"""

import argparse
import hashlib
import importlib.util
import logging
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FUZZ = ROOT / "tests" / "fuzz"
sys.path[:0] = [str(FUZZ), str(ROOT / "tests"), str(ROOT)]
MOST_BYTES = 20_000


def keep(folder: Path, data: bytes, error: Exception) -> None:
    file = folder / hashlib.sha256(data).hexdigest()[:16]
    file.write_bytes(data)
    print(f"FOUND {file}: {error!r:.300}", flush=True)


def plain(door, seeds, words, minutes, seed, folder):
    """Seeded mutations; what is slow (5 s of processor for one input) is a find as well."""
    rng, ends_s, count, kinds = random.Random(seed), time.monotonic() + minutes * 60, 0, set()
    while time.monotonic() < ends_s:
        from doors import mutated

        data = mutated(rng, seeds, words)
        count += 1
        began_s = time.process_time()
        try:
            door(data)
            assert time.process_time() - began_s < 5, "more than 5 s"
        except Exception as error:
            trace = error.__traceback__
            while trace.tb_next:
                trace = trace.tb_next
            kind = (type(error), trace.tb_frame.f_code.co_filename, trace.tb_lineno)
            if kind not in kinds:
                kinds.add(kind)
                keep(folder, data, error)
    return count, len(kinds)


def guided(name, minutes, seed, folder):
    """By coverage of our own code: 10 s and 1 GiB an input at most."""
    import atheris

    with atheris.instrument_imports(include=["farmwatch"]):
        import doors
    with tempfile.TemporaryDirectory() as grown:
        options = [
            f"-max_total_time={round(minutes * 60)}", f"-seed={seed}", f"-max_len={MOST_BYTES}", "-timeout=10",
            "-rss_limit_mb=1024", f"-artifact_prefix={folder}/", "-verbosity=1", "-print_final_stats=1",
        ]  # fmt: skip
        table = Path(grown) / "words"
        shown = ("".join(f"\\x{byte:02x}" for byte in word) for word in doors.WORDS[name] if len(word) < 64)
        table.write_text("".join(f'"{word}"\n' for word in shown))
        (Path(grown) / "corpus").mkdir()
        atheris.Setup(
            [sys.argv[0], *options, f"-dict={table}", f"{grown}/corpus", str(doors.CORPUS / name)], doors.DOORS[name]
        )
        atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("door")
    parser.add_argument("minutes", type=float)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--found", default=tempfile.gettempdir())
    args = parser.parse_args()
    folder = Path(args.found)
    folder.mkdir(parents=True, exist_ok=True)
    if args.door == "described":
        environment = os.environ | {"FARMWATCH_API_EXAMPLES": str(max(4, round(args.minutes * 20)))}
        test = "tests/test_api.py::test_no_answer_that_the_description_does_not_have"
        command = [sys.executable, "-m", "pytest", "-q", "--timeout=0", "-p", "no:cacheprovider", test]
        return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode
    if args.door != "api" and not args.plain and importlib.util.find_spec("atheris"):
        guided(args.door, args.minutes, args.seed, folder)
        return 0  # not reached: libFuzzer ends the process
    import doors

    began_s = time.process_time()
    if args.door == "api":
        from apidoor import WORDS, ApiDoor
        from test_api import Away

        logging.disable(logging.CRITICAL)
        with tempfile.TemporaryDirectory() as house:
            away = Away(Path(house))
            away.start()
            away.up.wait(60)
            door = ApiDoor(away.url)
            count, kinds = plain(door, doors.corpus("api"), WORDS, args.minutes, args.seed, folder)
            print("answers by status:", dict(sorted(door.codes.items())))
            away.loop.call_soon_threadsafe(away.end.set)
            away.join(10)
    else:
        words = doors.WORDS[args.door]
        count, kinds = plain(
            doors.DOORS[args.door], doors.corpus(args.door), words, args.minutes, args.seed, folder
        )  # fmt: skip
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    spent_s = time.process_time() - began_s
    print(f"{args.door}: {count} inputs, {kinds} kinds of find, {spent_s:.0f} s of processor, at most {most:.0f} MiB")
    return 1 if kinds else 0


if __name__ == "__main__":
    sys.exit(main())
