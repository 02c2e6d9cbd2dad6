"""Writes deploy/sbom.json, what a run-time install consists of, from the lock file. Run: python deploy/sbom.py.

The form is CycloneDX 1.6 (ECMA-424, cyclonedx.org): name, version, package URL, and the SHA-256 of every file that the
lock allows; the vendored scripts with theirs. It holds no time and no random number: the same lock, the same bytes.
"""

# ruff: noqa: INP001  (a tool beside the package, no part of it)

import json
import re
import sys
from pathlib import Path
from typing import Any

from farmwatch import __version__
from farmwatch.web.vendored import TABLE

HERE = Path(__file__).parent
TARGET = HERE / "sbom.json"


def locked(text: str) -> list[tuple[str, str, list[str]]]:
    """(name, version, SHA-256 of each file) of every package in a lock file."""
    found = []
    for part in re.split(r"^(?=[A-Za-z0-9])", text, flags=re.MULTILINE):
        head = re.match(r"([\w.-]+)==([\w.+!-]+)", part)
        if head is not None:
            found.append((head[1], head[2], re.findall(r"--hash=sha256:([0-9a-f]{64})", part)))
    return found


def component(kind: str, name: str, version: str, purl: str, hashes: list[str], **more: Any) -> dict[str, Any]:  # noqa: ANN401
    """One component."""
    files = [{"alg": "SHA-256", "content": digest} for digest in hashes]
    return {"type": kind, "bom-ref": purl, "name": name, "version": version, "purl": purl, **more,
            "externalReferences": [{"type": "distribution", "url": purl, "hashes": files}]}  # fmt: skip


def document() -> dict[str, Any]:
    """The whole."""
    packages = [
        component("library", name, version, f"pkg:pypi/{name.lower().replace('_', '-')}@{version}", hashes)
        for name, version, hashes in locked((HERE / "requirements.lock").read_text("utf-8"))
    ]
    scripts: dict[tuple[str, str, str], list[str]] = {}
    for row in TABLE:
        scripts.setdefault((row.name, row.version, row.licence), []).append(row.sha256)
    for (name, version, licence), hashes in scripts.items():
        licences = [{"license": {"id": licence}}]
        packages.append(component("library", name, version, f"pkg:npm/{name}@{version}", hashes, licenses=licences))
    own = f"pkg:pypi/farmwatch@{__version__}"
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {"type": "application", "bom-ref": own, "name": "farmwatch", "version": __version__,
                          "purl": own, "licenses": [{"license": {"id": "MIT"}}]}
        },
        "components": packages,
        "dependencies": [{"ref": own, "dependsOn": [one["bom-ref"] for one in packages]}],
    }  # fmt: skip


def text() -> str:
    """The file's content."""
    return json.dumps(document(), indent=1) + "\n"


if __name__ == "__main__":
    TARGET.write_text(text(), "utf-8")
    sys.stderr.write(f"{TARGET.name}: {len(document()['components'])} components\n")
