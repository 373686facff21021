"""A headless Chromium driven over its debugging pipe, with the standard library only."""

import base64
import itertools
import json
import os
import select
import shutil
import subprocess
import time

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome", "chrome"))), None)


class Browser:
    """One browser with one page."""

    def __init__(self, folder, *, width=1920, height=1080):
        theirs_in, self._out = os.pipe()
        self._in, theirs_out = os.pipe()

        def arrange():
            # the browser reads descriptor 3 and writes 4
            spare_in, spare_out = os.dup(theirs_in), os.dup(theirs_out)
            os.dup2(spare_in, 3)
            os.dup2(spare_out, 4)

        options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"]
        options += [f"--user-data-dir={folder}", "--remote-debugging-pipe", "about:blank"]
        self._process = subprocess.Popen(
            [CHROMIUM, *options],
            preexec_fn=arrange,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self._numbers, self._rest, self._session = itertools.count(1), b"", None
        self.console = []
        target = next(t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Accessibility"):
            self.call(f"{domain}.enable")
        self.size(width, height)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._process.kill()
        self._process.wait()
        os.close(self._in)
        os.close(self._out)

    def call(self, method, **parameters):
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("method") in ("Runtime.exceptionThrown", "Log.entryAdded"):
                self.console.append(json.dumps(answer["params"]))
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    def _receive(self, seconds=30.0):
        end = time.monotonic() + seconds
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser does not answer")
            self._rest += os.read(self._in, 1 << 16)
        message, self._rest = self._rest.split(b"\0", 1)
        return json.loads(message)

    def size(self, width, height):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def scheme(self, name):
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def open(self, path):
        self.call("Page.navigate", url=path.as_uri())
        self.wait("document.readyState === 'complete' && document.querySelector('#board') !== null")

    def run(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def wait(self, expression, seconds=20.0):
        end = time.monotonic() + seconds
        while not self.run(expression):
            if time.monotonic() > end:
                raise TimeoutError(f"never true: {expression}")
            time.sleep(0.1)

    def key(self, name, code):
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=name, code=name, windowsVirtualKeyCode=code)

    def names(self):
        """Role and name of everything that a screen reader is told."""
        nodes = self.call("Accessibility.getFullAXTree")["nodes"]
        return [
            (n["role"]["value"], n.get("name", {}).get("value", "")) for n in nodes if not n["ignored"] and "role" in n
        ]

    def picture(self, path):
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"]))
