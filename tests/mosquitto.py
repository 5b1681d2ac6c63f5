"""A real Mosquitto on loopback, configured as deploy/ does: sessions on disk, no queue limit that drops."""

import signal
import socket
import subprocess
import time
from pathlib import Path


class Mosquitto:
    def __init__(self, program: str, folder: Path, port: int) -> None:
        self.program, self.folder, self.port = program, folder, port
        self.url = f"mqtt://127.0.0.1:{port}"
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True)
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            f"listener {port} 127.0.0.1\n"
            "allow_anonymous true\n"
            "set_tcp_nodelay true\n"
            "max_queued_messages 0\n"
            "max_inflight_messages 1000\n"
            "persistence true\n"
            "autosave_interval 1\n"
            f"persistence_location {folder}/\n"
            "user root\n",
            encoding="utf-8",
        )

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen([self.program, "-c", str(self.config)], stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise RuntimeError((self.folder / "log").read_text())

    def stop(self) -> None:
        """Stop as a service manager does: it saves its sessions first."""
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(10)
            self._process = None

    def reload(self) -> None:
        """Let it read its passwords and its access list again, as `systemctl reload` does, and wait until it has."""
        if self._process is not None:
            told = self._said_reloading()
            self._process.send_signal(signal.SIGHUP)
            deadline = time.monotonic() + 10
            while self._said_reloading() == told and time.monotonic() < deadline:
                time.sleep(0.02)

    def _said_reloading(self) -> int:
        return (self.folder / "log").read_text(encoding="utf-8").count("Reloading config")
