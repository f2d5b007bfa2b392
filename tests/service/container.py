"""A Debian in a folder with benchlog installed as its unit's head says, and started with systemd in it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
INSIDE = ROOT / "tests" / "service" / "inside.py"
PACKAGES = "systemd,systemd-sysv,dbus,python3,python3-venv,procps,util-linux"
BOOTS_WITHIN_S = 300.0
_UNIT = """\
[Unit]
After=multi-user.target
[Service]
ExecStart=/opt/benchlog/bin/python3 /opt/trial/inside.py
[Install]
WantedBy=multi-user.target
"""
_WHEELS = ("manylinux_2_17", "manylinux2014", "manylinux_2_28", "manylinux_2_34")  # of libraries; Debian 12 has 2.36


class NotMade(Exception):
    """The trial could not be made: it says nothing about the unit."""


def grown(tree: Path) -> Path:
    """The same folder, with everything in it. Raises NotMade."""
    if not (tree / "usr").exists():
        _run("debootstrap", "--variant=minbase", f"--include={PACKAGES}", "stable", tree, _archive())
    if not (tree / "opt/benchlog/bin/python3").exists():
        _run("chroot", tree, "python3", "-m", "venv", "--without-pip", "/opt/benchlog")
        _run("chroot", tree, "useradd", "--system", "--groups", "dialout", "benchlog")
        _run("chroot", tree, "install", "-d", "-o", "benchlog", "-g", "benchlog", "/etc/benchlog")
    _install(tree)
    shutil.rmtree(tree / "var/lib/benchlog", ignore_errors=True)  # an earlier trial's
    units = tree / "etc/systemd/system"
    shutil.copy(ROOT / "config/benchlog.service", units)
    (tree / "opt/trial").mkdir(exist_ok=True)
    shutil.copy(INSIDE, tree / "opt/trial")
    (units / "trial.service").write_text(_UNIT)
    wanted = units / "multi-user.target.wants/trial.service"
    wanted.unlink(missing_ok=True)
    wanted.symlink_to("../trial.service")
    return tree


def booted(tree: Path) -> dict[str, Any]:
    """Start it, wait until it powers itself off, and return what ``inside`` wrote down. Raises NotMade."""
    seen = tree / "opt/trial/seen.json"
    seen.unlink(missing_ok=True)
    words = ["systemd-nspawn", "--boot", "--quiet", "--private-network", f"--directory={tree}"]
    if not Path("/run/systemd/system").exists():  # no systemd here to register the container with
        words += ["--register=no", "--keep-unit"]
    environment = os.environ | {"SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"}
    with tempfile.TemporaryFile() as said:
        try:
            subprocess.run(
                words, env=environment, stdin=subprocess.DEVNULL, stdout=said, stderr=said, timeout=BOOTS_WITHIN_S
            )
        except subprocess.TimeoutExpired:
            raise NotMade(f"the container was not done within {BOOTS_WITHIN_S:.0f} s") from None
        if not seen.exists():
            said.seek(0)
            raise NotMade(f"the container said nothing of the trial:\n{said.read().decode(errors='replace')[-2000:]}")
    found: dict[str, Any] = json.loads(seen.read_text())
    return found


def _archive() -> str:
    """Where this computer has its Debian from."""
    said = _run("apt-get", "indextargets", "--format", "$(SITE) $(ORIGIN)", "Created-By: Packages")
    sites = [site for site, _, origin in (line.partition(" ") for line in said.splitlines()) if origin == "Debian"]
    if not sites:
        raise NotMade("this computer knows no Debian archive")
    return sites[0]


def _install(tree: Path) -> None:
    """The wheel of this very tree, and what it needs, for the container's Python."""
    version = re.search(r"3\.\d+", _run("chroot", tree, "python3", "--version"))
    assert version
    packages = tree / f"opt/benchlog/lib/python{version[0]}/site-packages"
    for old in packages.glob("benchlog*"):
        shutil.rmtree(old)
    pip = (sys.executable, "-m", "pip", "--quiet")
    with tempfile.TemporaryDirectory() as work:
        _run("git", "clone", "--quiet", ROOT, f"{work}/source")  # a build leaves things beside its source
        _run(*pip, "wheel", "--no-deps", "--wheel-dir", work, f"{work}/source")
        (wheel,) = Path(work).glob("benchlog-*.whl")
        fitting = [f"--platform={name}_{os.uname().machine}" for name in _WHEELS]
        only = ("--only-binary=:all:", f"--python-version={version[0]}", *fitting, f"--target={packages}")
        if (packages / "numpy").exists():
            only = ("--no-deps", f"--target={packages}")
        _run(*pip, "install", *only, wheel)
    command = tree / "opt/benchlog/bin/benchlog"
    command.write_text("#!/opt/benchlog/bin/python3\nimport sys\n\nfrom benchlog.cli import main\n\nsys.exit(main())\n")
    command.chmod(0o755)


def _run(*words: str | Path) -> str:
    done = subprocess.run([*map(str, words)], capture_output=True, text=True)
    if done.returncode:
        raise NotMade(f"{words[0]} {words[1]} failed:\n{done.stdout[-500:]}{done.stderr[-1000:]}")
    return done.stdout
