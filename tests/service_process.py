"""The service as its own process, to be killed."""

import os
import subprocess
import sys
import time
from pathlib import Path

import httpx


class ServiceProcess:
    """`wardian up` against a broker, in a folder of its own."""

    def __init__(self, folder: Path, broker: str, web_port: int, **settings: str) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.url = f"http://127.0.0.1:{web_port}"
        self._environment = os.environ | {
            "WARDIAN_DATA": str(folder / "data"),
            "WARDIAN_BROKER": broker,
            "WARDIAN_WEB": f"127.0.0.1:{web_port}",
            **settings,
        }
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def database(self) -> str:
        return self._environment.get("WARDIAN_DATABASE") or f"sqlite:///{self.folder / 'data' / 'wardian.db'}"

    def command(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """Run another command with the same settings."""
        return subprocess.run(
            [sys.executable, "-m", "service", *words],
            env=self._environment,
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=check,
        )

    def start(self, part: str = "up") -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "service", part], env=self._environment, cwd=self.folder, stdout=log, stderr=log
            )

    def wait_ready(self, seconds: float = 60) -> None:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            try:
                if httpx.get(f"{self.url}/readyz", timeout=2).status_code == httpx.codes.OK:
                    return
            except httpx.TransportError:
                pass
            time.sleep(0.05)
        raise AssertionError(f"the service did not become ready:\n{self.log()}")

    def is_running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def kill(self) -> None:
        """End it as a power cut would: no word of warning."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)

    def stop(self) -> int:
        """End it as a service manager would."""
        if self._process is None:
            return 0
        self._process.terminate()
        return self._process.wait(20)

    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8")
