"""Takes guards out of a copy of the tree, one at a time, and runs the tests that must fail then.

    .venv/bin/python tests/bench/guards.py [--quick] [--missing] [--row N] [--out tests/faults/seen.json]

Prints a line for each guard and writes what was seen, by which docs/faults.md is made. A guard whose test passes
without it is an error: that test proves nothing.
"""

import argparse
import datetime as dt
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests/faults"))

from guards import GUARDS, Guard  # noqa: E402  (of this tree)

PARTS = ("farmwatch", "tests", "deploy", "docs", "pyproject.toml", "README.md", "DEVELOPERS.md", "docker-compose.yml")


def copy_tree(folder: Path) -> Path:
    """A copy of what tests need, to be patched."""
    for name in PARTS:
        source, target = ROOT / name, folder / name
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
        else:
            shutil.copy(source, target)
    return folder


def seen_to_fail(tree: Path, guard: Guard, within_s: float = 400.0) -> tuple[bool, str]:
    """Whether the guard's test fails without it, and how; the tree is as it was afterwards."""
    file = tree / guard.file
    text = file.read_text("utf-8")
    if text.count(guard.old) != 1:
        return False, f"{guard.file} holds the guard {text.count(guard.old)} times"
    file.write_text(text.replace(guard.old, guard.new), "utf-8")
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    environment.pop("PYTEST_CURRENT_TEST", None)
    options = ["-q", "-x", "--no-header", "-p", "no:cacheprovider", "--tb=line"]
    command = [sys.executable, "-m", "pytest", *options, guard.test]
    try:
        done = subprocess.run(
            command, cwd=tree, env=environment, capture_output=True, text=True, timeout=within_s, check=False
        )
    finally:
        file.write_text(text, "utf-8")
    # 1: tests were run and some have failed; anything else is no answer (pytest's exit codes)
    last = done.stdout.strip().splitlines()[-1] if done.stdout.strip() else done.stderr[-200:]
    return done.returncode == 1 and " failed" in last, last


def main() -> int:
    """Try them; 1 if one was not noticed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="only those that CI tries as well")
    parser.add_argument("--row", type=int, help="only those of one row")
    parser.add_argument("--missing", action="store_true", help="only those that have not been seen yet")
    parser.add_argument("--out", default=str(ROOT / "tests/faults/seen.json"))
    args = parser.parse_args()
    out = Path(args.out)
    known = json.loads(out.read_text()) if out.exists() else {}
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_tree(Path(folder))
        for guard in GUARDS:
            seen = args.missing and f"{guard.test} | {guard.what}" in known
            if seen or (args.quick and not guard.quick) or (args.row and guard.row != args.row):
                continue
            failed, last = seen_to_fail(tree, guard)
            bad += not failed
            word = "seen to fail" if failed else "NOT NOTICED "
            print(f"row {guard.row:2d}  {word}  {guard.what}: {last}", flush=True)
            if failed:
                known = json.loads(out.read_text()) if out.exists() else {}  # another may have written meanwhile
                known[f"{guard.test} | {guard.what}"] = dt.datetime.now(dt.UTC).date().isoformat()
                out.write_text(json.dumps(known, indent=1, sort_keys=True) + "\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
