"""A headless Chromium, spoken to over a pipe (DevTools protocol): opens pages, runs script, prints."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

PROGRAM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
PATIENCE_S = 60.0


class Browser:
    """One browser with one page; use it in a ``with`` block."""

    def __init__(self, profile: Path) -> None:
        assert PROGRAM is not None
        to_read, self._to_browser = os.pipe()
        self._from_browser, to_write = os.pipe()
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe"]
        options += [f"--user-data-dir={profile}", "about:blank"]
        self._process = subprocess.Popen(
            # The browser reads commands from channel 3 and answers on channel 4.
            ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{to_write}', "bash", PROGRAM, *options],
            pass_fds=(to_read, to_write),
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._n, self._rest, self._session = 0, b"", ""
        self.complaints: list[str] = []
        """Errors of the page's script and of its security policy, requests that failed."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._to_browser)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._from_browser)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        self._n += 1
        message = {"id": self._n, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to_browser, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._n:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result
            if answer.get("method") == "Log.entryAdded":
                self.complaints.append(answer["params"]["entry"]["text"])
            if answer.get("method") == "Runtime.exceptionThrown":
                self.complaints.append(str(answer["params"]["exceptionDetails"]))

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            assert select.select([self._from_browser], [], [], PATIENCE_S)[0], "the browser does not answer"
            data = os.read(self._from_browser, 1 << 20)
            assert data, "the browser is gone"
            self._rest += data
        message, _, self._rest = self._rest.partition(b"\0")
        parsed: dict[str, Any] = json.loads(message)
        return parsed

    def size(self, width_px: int, height_px: int = 900, mobile: bool | None = None) -> None:
        """Give the window a size; left out, a narrow one is a phone's."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width_px,
            height=height_px,
            deviceScaleFactor=1,
            mobile=width_px < 600 if mobile is None else mobile,
        )

    def open(self, page: Path | str, hash_: str = "", width_px: int = 1280, script: bool = True) -> None:
        """Open a file or an address, afresh, in a window of some width."""
        self.call("Emulation.setScriptExecutionDisabled", value=not script)
        self.size(width_px)
        self.load(page, hash_)

    def load(self, page: Path | str, hash_: str = "") -> None:
        """Open a file or an address, afresh, in the window as it is."""
        for address in ("about:blank", (page if isinstance(page, str) else page.as_uri()) + hash_):
            # One after the other: a page left while it is still being left never answers.
            self.call("Page.navigate", url=address)
            end = time.monotonic() + PATIENCE_S
            sign = "===" if address == "about:blank" else "!=="
            is_there = f"location.href {sign} 'about:blank' && document.readyState === 'complete'"
            while not self.run(is_there):
                assert time.monotonic() < end, f"{address} does not get ready"
                time.sleep(0.05)

    def run(self, expression: str) -> Any:
        """Return the value of an expression of script."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def wait_for(self, expression: str, patience_s: float = 10.0) -> None:
        """Wait until an expression of script is true."""
        end = time.monotonic() + patience_s
        while not self.run(expression):
            assert time.monotonic() < end, f"{expression} does not become true"
            time.sleep(0.05)

    def choose_file(self, selector: str, *files: Path) -> None:
        """Do as if the person had chosen or photographed files for a file input."""
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.call("DOM.setFileInputFiles", nodeId=node, files=[str(file) for file in files])

    def screenshot(self, path: Path, whole: bool = False) -> None:
        """Write a PNG of the window, or of the whole page."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(shot["data"]))

    def pdf(self) -> bytes:
        printed = self.call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69)  # A4 in inches
        return base64.b64decode(printed["data"])
