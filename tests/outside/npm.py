"""Packages of npm that check our files from outside; kept between runs, no part of the project."""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from pathlib import Path

from platformdirs import user_cache_path

from tests.conftest import missing


@cache
def npm_folder(package: str, what: str) -> Path:
    """Where `package@version` is installed. Skips (or fails) without Node, npm or the package."""
    for tool in ("node", "npm"):
        if shutil.which(tool) is None:
            missing(f"{tool} (for {what}, {package})")
    name, version = package.lstrip("@").replace("/", "-").split("@")
    folder = user_cache_path("keysback-tests") / f"{name}-{version}"
    if not (folder / "ready").exists():
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "package.json").write_text("{}", encoding="utf-8")
        command = ["npm", "install", "--ignore-scripts", "--no-audit", "--no-fund", package]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)
        if done.returncode != 0:
            missing(f"{package} (npm says: {done.stderr.strip().splitlines()[-1:]})")
        (folder / "ready").touch()
    return folder
