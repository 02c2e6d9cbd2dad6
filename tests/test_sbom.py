"""The list of components against the lock file and CycloneDX 1.6 (ECMA-424): required fields and forms, from the text.

A second reading of the lock, by pip's own rules for requirement lines (packaging.requirements), is the oracle.
"""

import importlib.util
import json
import re
from pathlib import Path

from packaging.requirements import Requirement

from farmwatch.web.vendored import TABLE

ROOT = Path(__file__).parents[1]
BOM = json.loads((ROOT / "deploy/sbom.json").read_text("utf-8"))


def by_pip() -> dict[str, tuple[str, set[str]]]:
    text = (ROOT / "deploy/requirements.lock").read_text("utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        words = line.split("#", 1)[0].strip()
        if words:
            requirement, *hashes = re.split(r"\s+--hash=", words)
            one = Requirement(requirement.strip())
            (version,) = (spec.version for spec in one.specifier)
            found[one.name] = (version, {digest.strip().removeprefix("sha256:") for digest in hashes})
    return found


def test_it_is_what_the_tool_writes_of_today_s_lock():
    spec = importlib.util.spec_from_file_location("sbom", ROOT / "deploy/sbom.py")
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    assert (ROOT / "deploy/sbom.json").read_text("utf-8") == tool.text(), "run: python deploy/sbom.py"


def test_every_locked_package_is_in_it_with_its_hashes_and_nothing_else():
    python = [one for one in BOM["components"] if one["purl"].startswith("pkg:pypi/")]
    listed = {
        one["name"]: (one["version"], {row["content"] for row in one["externalReferences"][0]["hashes"]})
        for one in python
    }
    assert listed == by_pip()
    others = {row["content"] for one in BOM["components"] if one not in python
              for row in one["externalReferences"][0]["hashes"]}  # fmt: skip
    assert others == {row.sha256 for row in TABLE}


def test_it_has_the_form_of_the_standard():
    assert (BOM["bomFormat"], BOM["specVersion"], BOM["version"]) == ("CycloneDX", "1.6", 1)
    references = [one["bom-ref"] for one in (BOM["metadata"]["component"], *BOM["components"])]
    assert len(references) == len(set(references))
    assert {ref for row in BOM["dependencies"] for ref in (row["ref"], *row["dependsOn"])} == set(references)
    for one in BOM["components"]:
        assert one["type"] == "library"
        assert re.fullmatch(r"pkg:(pypi|npm)/[a-z0-9.-]+@[\w.+-]+", one["purl"])
        for row in one["externalReferences"]:
            assert row["hashes"]
            assert all(h["alg"] == "SHA-256" and re.fullmatch(r"[0-9a-f]{64}", h["content"]) for h in row["hashes"])
