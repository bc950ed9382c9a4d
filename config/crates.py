#!/usr/bin/env python3
"""Lists the Rust crates that are part of the program: crates.py LICENCES PARTS.

In: Cargo.lock and the sources that cargo has fetched for the build. Out: LICENCES, a text with their licences, which goes with
every copy of the program, as those licences ask; and PARTS, the list of parts as a program reads it (CycloneDX 1.5, JSON):
the crates with the checksums of Cargo.lock, and the models. Crates that only build or test the program are not part of it and are left out, and
so are the program's own.
"""

import hashlib
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

NOTICE = re.compile(r"(licen[cs]e|copying|copyright|notice|unlicense)", re.IGNORECASE)
# Sources of other programs that crates carry along lie this deep at most, as in openh264-sys2/upstream.
FOLDERS = [".", "upstream", "licenses", "LICENSES", "license"]


def write_parts(out: Path, program: dict, crates: list[dict]) -> None:
    locked = tomllib.loads(Path("Cargo.lock").read_text(encoding="utf-8"))["package"]
    checksums = {(one["name"], one["version"]): one.get("checksum") for one in locked}

    def sha256(content: str | None) -> dict:
        return {"hashes": [{"alg": "SHA-256", "content": content}]} if content else {}

    def crate(package: dict) -> dict:
        licence = package["license"]
        return {
            "type": "library",
            "bom-ref": f"pkg:cargo/{package['name']}@{package['version']}",
            "name": package["name"],
            "version": package["version"],
            "purl": f"pkg:cargo/{package['name']}@{package['version']}",
            # Some crates separate their licences by a slash, as Cargo once asked for.
            **({"licenses": [{"expression": licence.replace("/", " OR ")}]} if licence else {}),
            **sha256(checksums.get((package["name"], package["version"]))),
        }

    def model(file: Path) -> dict:
        return {
            "type": "machine-learning-model",
            "bom-ref": f"model:{file.name}",
            "name": file.name,
            "licenses": [{"expression": "Apache-2.0"}],
            **sha256(hashlib.sha256(file.read_bytes()).hexdigest()),
        }

    parts = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": {"type": "application", "name": program["name"], "version": program["version"]}},
        "components": [crate(one) for one in crates] + [model(one) for one in sorted(Path("models").glob("*.onnx"))],
    }
    out.write_text(json.dumps(parts, indent=1) + "\n", encoding="utf-8")


def main(out: Path, parts: Path) -> None:
    host = re.search(r"host: (\S+)", subprocess.check_output(["rustc", "-vV"], text=True))[1]
    command = ["cargo", "metadata", "--locked", "--format-version=1", f"--filter-platform={host}"]
    metadata = json.loads(subprocess.check_output(command, text=True))
    nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
    packages = {package["id"]: package for package in metadata["packages"]}
    root = metadata["resolve"]["root"]
    linked, waiting = set(), [root]
    while waiting:
        for dep in nodes[waiting.pop()]["deps"]:
            if dep["pkg"] not in linked and any(kind["kind"] is None for kind in dep["dep_kinds"]):
                linked.add(dep["pkg"])
                waiting.append(dep["pkg"])
    linked -= set(metadata["workspace_members"])

    texts: dict[str, list[str]] = {}
    lines, without = [], []
    crates = sorted((packages[one] for one in linked), key=lambda one: (one["name"], one["version"]))
    write_parts(parts, packages[root], crates)
    for package in crates:
        name = f"{package['name']} {package['version']}"
        licence = package["license"] or "see its text"
        lines.append(f"{name}: {licence}")
        folder = Path(package["manifest_path"]).parent
        files = {
            file
            for part in FOLDERS
            if (folder / part).is_dir()
            for file in (folder / part).iterdir()
            if file.is_file() and NOTICE.search(file.name) and file.suffix not in {".rs", ".toml", ".json"}
        }
        if package["license_file"]:
            files.add(folder / package["license_file"])
        if not files:
            without.append(name)
        for file in sorted(files):
            text = file.read_text(encoding="utf-8", errors="replace").strip()
            if name not in texts.setdefault(text, []):
                texts[text].append(name)
    with out.open("w", encoding="utf-8") as written:
        written.write(
            f"The {len(lines)} Rust crates in cagehand and their licences.\n"
            "The source of each is at crates.io under its name and version.\n\n"
        )
        written.write("\n".join(lines) + "\n")
        if without:
            written.write("\nThese come without a text of their licence; its usual text applies:\n")
            written.write("\n".join(without) + "\n")
        for text, names in texts.items():
            written.write(f"\n{'=' * 78}\n{', '.join(names)}\n{'=' * 78}\n\n{text}\n")
    print(f"{out}: {len(lines)} crates, {len(texts)} licence texts, {len(without)} crates without one")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
