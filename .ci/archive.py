"""Packs a program that is built into an archive that gives the same bytes each time.

    python3 .ci/archive.py TARGET PROGRAM OUT

Into OUT go `tautpoint-VERSION-TARGET.tar.gz` (`.zip` for Windows), its bill of materials, and `SHA256SUMS` of all that lies there.
Times in the archive are those of the commit (SOURCE_DATE_EPOCH, or `git log`), and nobody owns anything.
"""

import gzip
import hashlib
import io
import os
import pathlib
import subprocess
import sys
import tarfile
import time
import tomllib
import zipfile

ROOT = pathlib.Path(__file__).resolve().parents[1]
BESIDE = ["README.md", "LICENSE", "CHANGELOG.md", "METHODS.md", "CITATION.cff"]


def moment():
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given:
        return int(given)
    told = subprocess.run(["git", "log", "-1", "--format=%ct"], cwd=ROOT, check=True, capture_output=True, text=True)
    return int(told.stdout)


def contents(program):
    """Names and bytes, in order; the program first."""
    yield program.name, program.read_bytes(), 0o755
    for name in BESIDE:
        yield name, (ROOT / name).read_bytes(), 0o644
    for folder in ("docs", "sample-data"):
        for path in sorted(p for p in (ROOT / folder).rglob("*") if p.is_file()):
            yield path.relative_to(ROOT).as_posix(), path.read_bytes(), 0o644


def tar_gz(stem, program, at):
    raw = io.BytesIO()
    with tarfile.open(fileobj=raw, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, data, mode in contents(program):
            entry = tarfile.TarInfo(f"{stem}/{name}")
            entry.size, entry.mode, entry.mtime = len(data), mode, at
            archive.addfile(entry, io.BytesIO(data))
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", filename="", mtime=at, compresslevel=9) as out:
        out.write(raw.getvalue())
    return packed.getvalue()


def zipped(stem, program, at):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data, mode in contents(program):
            entry = zipfile.ZipInfo(f"{stem}/{name}", time.gmtime(at)[:6])
            entry.external_attr = mode << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, data)
    return packed.getvalue()


def main(target, program, out):
    version = tomllib.loads((ROOT / "Cargo.toml").read_text())["package"]["version"]
    stem, out = f"tautpoint-{version}-{target}", pathlib.Path(out)
    out.mkdir(parents=True, exist_ok=True)
    windows = "windows" in target
    pack = zipped if windows else tar_gz
    (out / f"{stem}{'.zip' if windows else '.tar.gz'}").write_bytes(pack(stem, pathlib.Path(program), moment()))
    bom = subprocess.run([sys.executable, ROOT / ".ci/sbom.py", target], check=True, capture_output=True).stdout
    (out / f"{stem}.cdx.json").write_bytes(bom)
    files = sorted(p for p in out.iterdir() if p.is_file() and p.name != "SHA256SUMS")
    sums = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.name}\n" for p in files]
    (out / "SHA256SUMS").write_text("".join(sums))


if __name__ == "__main__":
    main(*sys.argv[1:])
