"""A headless Chromium driven over its debugging pipe, for the few tests that need a real browser; no extra package."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
)
# The browser reads its pipe from descriptor 3 and writes to 4, wherever the ends are here.
_AS_3_AND_4 = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(n), fcntl.F_DUPFD, 10) for n in sys.argv[1:3]]
for place, end in zip((3, 4), ends):
    os.dup2(end, place)
    os.close(end)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One Chromium with one page; use as a context manager."""

    def __init__(self, profile: Path, *, timeout: float = 40.0) -> None:
        self._timeout, self._next, self._buffer = timeout, 0, b""
        self.events: list[dict[str, Any]] = []
        read_there, self._write = os.pipe()
        self._read, write_there = os.pipe()
        self._process = subprocess.Popen(
            [sys.executable, "-c", _AS_3_AND_4, str(read_there), str(write_there), str(CHROMIUM), *FLAGS,
             f"--user-data-dir={profile}"],
            pass_fds=(read_there, write_there), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(read_there)
        os.close(write_there)
        target = self.send("Target.createTarget", {"url": "about:blank"}, session=None)["targetId"]
        self._session: str | None = None
        self._session = self.send("Target.attachToTarget", {"targetId": target, "flatten": True}, session=None)[
            "sessionId"
        ]
        for domain in ("Page", "Network", "Log", "Runtime", "Audits"):
            self.send(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._write)
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)

    def send(self, method: str, params: dict[str, Any] | None = None, session: str | None = "page") -> dict[str, Any]:
        """Call a method of the debugging protocol and return its result; events met on the way are kept."""
        self._next += 1
        message: dict[str, Any] = {"id": self._next, "method": method, "params": params or {}}
        if session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == self._next:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def open(self, page: Path, *, width: int = 1280, height: int = 900) -> None:
        """Load a file afresh at a width; events of former pages are forgotten."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.send("Emulation.setDeviceMetricsOverride", size)
        self.events.clear()
        self.send("Page.navigate", {"url": page.resolve().as_uri()})
        end = time.monotonic() + self._timeout
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            if time.monotonic() > end:
                raise TimeoutError("the page did not load")
            self.send("Runtime.evaluate", {"expression": "0"})
            time.sleep(0.02)

    def ask(self, expression: str) -> Any:
        """The value of a JavaScript expression in the page."""
        answer = self.send("Runtime.evaluate", {"expression": expression, "returnByValue": True, "awaitPromise": True})
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"].get("exception", {}).get("description")))
        return answer["result"].get("value")

    def requests(self) -> list[str]:
        """Addresses that the page asked for since it was opened."""
        return [e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent"]

    def complaints(self) -> list[str]:
        """Errors of scripts, and breaches of the content security policy, since the page was opened."""
        found = []
        for event in self.events:
            if event.get("method") in ("Log.entryAdded", "Runtime.exceptionThrown", "Audits.issueAdded"):
                found.append(json.dumps(event["params"])[:400])
        return found

    def screenshot(self, path: Path, *, whole: bool = True) -> None:
        """A PNG of the page, whole or only what the window shows."""
        shot = self.send("Page.captureScreenshot", {"captureBeyondViewport": whole, "format": "png"})
        path.write_bytes(base64.b64decode(shot["data"]))

    def pdf(self, path: Path) -> None:
        """The page as printed on A4."""
        answer = self.send("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False})
        path.write_bytes(base64.b64decode(answer["data"]))

    def _receive(self) -> dict[str, Any]:
        end = time.monotonic() + self._timeout
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser did not answer")
            chunk = os.read(self._read, 1 << 20)
            if not chunk:
                raise RuntimeError("the browser went away")
            self._buffer += chunk
        text, _, self._buffer = self._buffer.partition(b"\0")
        message: dict[str, Any] = json.loads(text)
        return message
