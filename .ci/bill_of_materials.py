"""`sbom.cdx.json`: what a practice installs, as CycloneDX 1.6, made of requirements-run.lock alone.

Each package stands with its version, its place in the index of packages, the SHA-256 of every file of it that may be
installed, the machines that it is for, and what needs it. The same lock gives the same bytes: no time, no machine.
"""

from __future__ import annotations

import json
import re
import tomllib
import uuid
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCK, BILL = ROOT / "requirements-run.lock", ROOT / "sbom.cdx.json"
_PIN = re.compile(r"(?P<name>[a-z0-9._-]+)==(?P<version>[^ ;\\]+)(?: ; (?P<marker>[^\\]+?))? *\\?")
_HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")


def bill(lock: str, *, name: str, version: str) -> str:
    """The bill as text: of the lines of a lock, and the project's own name and version."""
    components, needed_by = [], {}
    for block in re.split(r"\n(?=\S)", lock.strip()):
        pin = _PIN.match(block)
        if pin is None:
            raise ValueError(f"no pin: {block.splitlines()[0]}")
        ref = f"pkg:pypi/{pin['name']}@{pin['version']}"
        components.append(_component(pin, ref, _HASH.findall(block)))
        needed_by[ref] = re.findall(r"^ +# +(?:via +)?([a-z0-9._-]+)(?: \(pyproject\.toml\))?$", block, re.MULTILINE)
    own = f"pkg:pypi/{name}@{version}"
    refs = {own: name, **{ref: ref.removeprefix("pkg:pypi/").split("@")[0] for ref in needed_by}}
    needs = {ref: sorted(r for r, by in needed_by.items() if who in by) for ref, who in refs.items()}
    body = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {"type": "application", "bom-ref": own, "name": name, "version": version, "purl": own},
        },
        "components": components,
        "dependencies": [{"ref": ref, "dependsOn": needs[ref]} for ref in refs],
    }
    number = uuid.uuid5(uuid.NAMESPACE_URL, json.dumps(body, sort_keys=True))
    return json.dumps({"serialNumber": f"urn:uuid:{number}", **body}, indent=1) + "\n"


def _component(pin: re.Match[str], ref: str, hashes: list[str]) -> dict[str, object]:
    made = {
        "type": "library",
        "bom-ref": ref,
        "name": pin["name"],
        "version": pin["version"],
        "purl": ref,
        "externalReferences": [
            {
                "type": "distribution",
                "url": f"https://pypi.org/project/{pin['name']}/{pin['version']}/",
                "hashes": [{"alg": "SHA-256", "content": h} for h in hashes],
            }
        ],
    }
    if pin["marker"]:
        made["properties"] = [{"name": "python:environment-marker", "value": pin["marker"].strip()}]
    return made


def current() -> str:
    """The bill of the lock as it is."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return bill(LOCK.read_text(encoding="utf-8"), name=project["name"], version=project["version"])


if __name__ == "__main__":
    BILL.write_text(current(), encoding="utf-8")
