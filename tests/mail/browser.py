"""Chromium without a window, spoken to over a pipe: it opens no port, and ends when whoever started it does."""

import base64
import contextlib
import fcntl
import json
import os
import select
import shutil
import signal
import subprocess
import tempfile
import time

# How long the browser may take to start, and to do one thing.
PATIENCE = 30
# The address under which a page is shown; nobody is asked for it.
HERE = "https://page.invalid/"
FLAGS = [
    "--headless=new", "--remote-debugging-pipe", "--no-first-run", "--disable-gpu", "--hide-scrollbars", "--disable-sync",
    "--disable-extensions", "--disable-background-networking", "--disable-component-update", "--disable-default-apps",
    "--disable-dev-shm-usage", "--no-default-browser-check", "--password-store=basic",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--disable-features=Translate,MediaRouter,OptimizationHints", "about:blank",
]


class Browser:
    """One browser with one page."""

    def __init__(self):
        self.folder = tempfile.mkdtemp(prefix="keepstart-pictures-")
        self.number, self.buffer, self.events = 0, b"", []
        self.process = None
        try:
            self._start()
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log"):
                self.ask(f"{domain}.enable")
            self.ask("Fetch.enable", patterns=[{"urlPattern": "*"}])
        except BaseException:
            self.close()
            raise

    def _start(self):
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if not program:
            raise SystemExit("there is no chromium: run ./tests/run, which installs it")
        as_root = ["--no-sandbox"] if os.geteuid() == 0 else []
        (theirs_in, self.out), (self.into, theirs_out) = os.pipe(), os.pipe()
        # The browser reads from 3 and writes to 4; higher numbers of ours are not in the way.
        ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (theirs_in, theirs_out)]
        moved = f'exec "$0" "$@" 3<&{ends[0]} 4>&{ends[1]} {ends[0]}<&- {ends[1]}>&-'
        self.process = subprocess.Popen(
            ["bash", "-c", moved, program, *as_root, f"--user-data-dir={self.folder}", *FLAGS],
            pass_fds=ends, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        for end in (theirs_in, theirs_out, *ends):
            os.close(end)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def close(self):
        """Ends the browser and everything that it started."""
        for end in (self.out, self.into):
            with contextlib.suppress(OSError):
                os.close(end)
        if self.process:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(PATIENCE)
        shutil.rmtree(self.folder, ignore_errors=True)

    def show(self, html, width, scheme):
        """Shows a page; answers the addresses that it asked for, and what went wrong on it."""
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=600, deviceScaleFactor=1, mobile=width < 600)
        self.ask("Emulation.setEmulatedMedia", media="screen", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.events.clear()
        self.send("Page.navigate", url=HERE)
        asked, wrong, loaded = [], [], False
        while not loaded:
            event = self._event()
            self._take(event, html, asked, wrong)
            # The empty page before the first one may still be telling that it is there.
            loaded = event["method"] == "Page.loadEventFired" and self.measure("() => location.href") == HERE
        # What the page does when it is there, it does before it answers this.
        self.ask("Runtime.evaluate", expression="new Promise(done => setTimeout(done, 0))", awaitPromise=True)
        while self.events:
            self._take(self.events.pop(0), html, asked, wrong)
        return asked, wrong

    def _take(self, event, html, asked, wrong):
        wrong += complaint(event)
        if event["method"] != "Fetch.requestPaused":
            return
        request = event["params"]["requestId"]
        url = event["params"]["request"]["url"]
        if url == HERE:
            headers = [{"name": "Content-Type", "value": "text/html; charset=utf-8"}]
            body = base64.b64encode(html.encode()).decode()
            self.send("Fetch.fulfillRequest", requestId=request, responseCode=200, responseHeaders=headers, body=body)
            return
        if url == f"{HERE}favicon.ico":
            # The browser asks for an icon by itself, and complains, sooner or later, of one that it is refused.
            self.send("Fetch.fulfillRequest", requestId=request, responseCode=204)
            return
        asked.append(url)
        self.send("Fetch.failRequest", requestId=request, errorReason="BlockedByClient")

    def measure(self, function, *arguments):
        """What a JavaScript function answers on the page."""
        expression = f"({function})({', '.join(map(json.dumps, arguments))})"
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def picture(self, width, most_height):
        """The whole page as a PNG, down to a height."""
        size = self.ask("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": max(width, size["width"]), "height": min(size["height"], most_height), "scale": 1}
        return base64.b64decode(self.ask("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)["data"])

    def ask(self, method, **arguments):
        """Asks the page."""
        return self.call(method, self.session, **arguments)

    def call(self, method, session=None, **arguments):
        number = self.send(method, session=session, **arguments)
        while (message := self._message()).get("id") != number:
            if "method" in message:
                self.events.append(message)
        if "error" in message:
            raise RuntimeError(f"{method}: {message['error']}")
        return message["result"]

    def send(self, method, session="page", **arguments):
        """Says something without waiting for the answer."""
        self.number += 1
        told = {"id": self.number, "method": method, "params": arguments}
        if session:
            told["sessionId"] = self.session if session == "page" else session
        line = json.dumps(told).encode() + b"\0"
        while line:
            line = line[os.write(self.out, line) :]
        return self.number

    def _event(self):
        if self.events:
            return self.events.pop(0)
        while "method" not in (message := self._message()):
            pass
        return message

    def _message(self):
        until = time.monotonic() + PATIENCE
        while b"\0" not in self.buffer:
            ready = select.select([self.into], [], [], max(0, until - time.monotonic()))[0]
            read = os.read(self.into, 1 << 20) if ready else b""
            if not read:
                raise RuntimeError("the browser has ended" if ready else f"the browser said nothing for {PATIENCE} s")
            self.buffer += read
        message, _, self.buffer = self.buffer.partition(b"\0")
        return json.loads(message)


def complaint(event):
    """What an event says went wrong."""
    what = event["params"]
    if event["method"] == "Runtime.exceptionThrown":
        return [what["exceptionDetails"]["text"]]
    if event["method"] == "Runtime.consoleAPICalled" and what["type"] in ("error", "warning", "assert"):
        return [" ".join(str(argument.get("value", "")) for argument in what["args"])]
    if event["method"] == "Log.entryAdded" and what["entry"]["level"] in ("error", "warning"):
        return [what["entry"]["text"]]
    return []
