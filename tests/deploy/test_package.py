"""What is packed is what runs."""

import subprocess
import sys
import zipfile
from pathlib import Path

from tests.documents import ROOT


def test_the_built_package_carries_pages_profiles_and_migrations(tmp_path: Path) -> None:
    build = ["wheel", "--quiet", "--no-index", "--no-deps", "--no-build-isolation", "--wheel-dir", str(tmp_path)]
    subprocess.run([sys.executable, "-m", "pip", *build, str(ROOT)], check=True, timeout=110)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as package:
        packed = set(package.namelist())
    for folder in ("dashboard/templates", "dashboard/static", "service/roomfile/profiles", "service/store/migrations"):
        files = [path for path in (ROOT / folder).rglob("*.*") if "__pycache__" not in path.parts]
        assert files
        assert {path.relative_to(ROOT).as_posix() for path in files} <= packed
