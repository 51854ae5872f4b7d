"""A headless browser that is driven key by key, over the pipe it offers for that; nothing but the standard library."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium")
_KEYS = {"Tab": (9, ""), "Enter": (13, "\r"), "ArrowDown": (40, ""), "ArrowUp": (38, ""), "End": (35, ""), " ": (32, " ")}


class Page:
    """One page, shown at a given size."""

    def __init__(self, ear: int, mouth: int) -> None:
        self._ear, self._mouth, self._number, self._rest, self._session = ear, mouth, 0, b"", ""

    def ask(self, method: str, **words: Any) -> dict[str, Any]:
        """Send a command and return its answer."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": words, **({"sessionId": self._session} if self._session else {})}
        os.write(self._mouth, json.dumps(message).encode() + b"\0")
        while True:
            told = self._next()
            if told.get("id") == self._number:
                assert "error" not in told, told
                return dict(told["result"])

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            read = os.read(self._ear, 1 << 20)
            assert read, "the browser went away"
            self._rest += read
        first, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(first))

    def open(self, path: Path, width: int, height: int) -> None:
        """Show a file."""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600)
        self.ask("Page.enable")
        self.ask("Page.navigate", url=path.as_uri())
        while self._next().get("method") != "Page.loadEventFired":
            pass

    def tell(self, expression: str) -> Any:
        """Return what a piece of script on the page evaluates to."""
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def press(self, key: str, times: int = 1) -> None:
        """Press and release a key."""
        code, text = _KEYS[key]
        words: dict[str, Any] = {"key": key, "code": key, "windowsVirtualKeyCode": code}
        for _ in range(times):
            self.ask("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", **words, **({"text": text} if text else {}))
            self.ask("Input.dispatchKeyEvent", type="keyUp", **words)

    def type(self, text: str) -> None:
        """Type text where the focus is."""
        self.ask("Input.insertText", text=text)

    def picture(self) -> bytes:
        """Return the whole page as PNG."""
        return base64.b64decode(self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=True)["data"])

    def printed(self) -> bytes:
        """Return the page as it prints, as PDF."""
        return base64.b64decode(self.ask("Page.printToPDF", printBackground=False, preferCSSPageSize=True)["data"])


@contextmanager
def page_shown(path: Path, scratch: Path, width: int, height: int) -> Iterator[Page]:
    """Show a file in a browser of its own, without a network."""
    assert CHROMIUM is not None
    ours_in, theirs_out = os.pipe()
    theirs_in, ours_out = os.pipe()
    commands, answers = fcntl.fcntl(theirs_in, fcntl.F_DUPFD, 10), fcntl.fcntl(theirs_out, fcntl.F_DUPFD, 10)
    words = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
    words += ["--disable-component-update", "--disable-sync", "--remote-debugging-pipe", f"--user-data-dir={scratch}", "about:blank"]
    shell = ["bash", "-c", f'exec "$@" 3<&{commands} 4>&{answers}', "bash"]  # the browser reads commands from 3 and answers on 4
    with subprocess.Popen(
        [*shell, *words], pass_fds=(commands, answers), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as browser:
        for handle in (theirs_in, theirs_out, commands, answers):
            os.close(handle)
        try:
            page = Page(ours_in, ours_out)
            page.open(path, width, height)
            yield page
        finally:
            browser.kill()
            browser.wait()
            os.close(ours_in)
            os.close(ours_out)
