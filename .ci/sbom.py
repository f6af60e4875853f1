"""Writes a software bill of materials (CycloneDX 1.5, JSON) of what the program is built of for one target, to standard output.

    python3 .ci/sbom.py [TARGET] [PACKAGE]

All of it is read from `cargo metadata` and Cargo.lock: no tool to install, and the same commit gives the same bytes.
"""

import json
import pathlib
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parents[1]


def metadata(target):
    command = ["cargo", "metadata", "--format-version", "1", "--locked"]
    command += ["--filter-platform", target] if target else []
    return json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)


def reference(package):
    return f"pkg:cargo/{package['name']}@{package['version']}"


def shipped(nodes, root):
    """Identities of the crates that are part of the program, and what each takes: no development dependencies."""
    takes = {}
    waiting = [root]
    while waiting:
        at = waiting.pop()
        if at in takes:
            continue
        deps = nodes[at]["deps"]
        kept = [d["pkg"] for d in deps if any(kind["kind"] != "dev" for kind in d["dep_kinds"]) and d["pkg"] != at]
        takes[at] = sorted(set(kept))
        waiting.extend(kept)
    return takes


def main(target=None, name="tautpoint"):
    told = metadata(target)
    packages = {p["id"]: p for p in told["packages"]}
    nodes = {n["id"]: n for n in told["resolve"]["nodes"]}
    root = next(i for i, p in packages.items() if p["name"] == name)
    lock = tomllib.loads((ROOT / "Cargo.lock").read_text())["package"]
    sums = {(p["name"], p["version"]): p.get("checksum") for p in lock}
    takes = shipped(nodes, root)

    def component(identity):
        p = packages[identity]
        made = {
            "type": "application" if identity == root else "library",
            "bom-ref": reference(p),
            "name": p["name"],
            "version": p["version"],
            "licenses": [{"expression": p["license"].replace("/", " OR ")}],
            "purl": reference(p),
        }
        checksum = sums.get((p["name"], p["version"]))
        if checksum:
            made["hashes"] = [{"alg": "SHA-256", "content": checksum}]
        return made

    others = sorted((i for i in takes if i != root), key=lambda i: reference(packages[i]))
    bom = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": component(root)},
        "components": [component(i) for i in others],
        "dependencies": [
            {"ref": reference(packages[i]), "dependsOn": [reference(packages[d]) for d in takes[i]]} for i in [root, *others]
        ],
    }
    json.dump(bom, sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main(*sys.argv[1:])
