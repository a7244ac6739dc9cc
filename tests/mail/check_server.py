#!/usr/bin/env python3
"""Checks the tests' mail server with Python's own mail client: every behaviour shows as it is described."""

import contextlib
import json
import os
import pathlib
import signal
import smtplib
import socket
import ssl
import subprocess
import sys
import tempfile

SERVER = pathlib.Path(__file__).with_name("server.py")
USER, PASSWORD = "digest", "not a real one"
TEXT = b"Subject: x\r\n\r\nline\r\n..\r\n.dot\r\n"
# Behaviour, what the client meets, the last thing that the server tells, and whether there is a message more.
TABLE = [
    ("ok", "taken", "mail", True),
    ("refuse other@town.example", "taken", "mail", True),
    ("refuse x@town.example a@town.example", "550", "recipient_refused", False),
    ("no_relay", "550", "recipient_refused", False),
    ("busy", "451", "recipient_refused", False),
    ("down", "ConnectionRefusedError", None, False),
    ("ok", "taken", "mail", True),
    ("hang", "silence", "connected", False),
    ("drop_after_data", "SMTPServerDisconnected", "mail", True),
    ("hang_after_data", "silence", "mail", True),
    ("no_starttls", "SMTPNotSupportedError", "connected", False),
    ("wrong_certificate", "SSLCertVerificationError", "connected", False),
    ("untrusted_certificate", "SSLCertVerificationError", "connected", False),
    ("refuse_auth", "535", "login_refused", False),
    ("ok", "taken", "mail", True),
]


class Running:
    """A running server, and what it has told."""

    def __init__(self, folder):
        command = [sys.executable, SERVER, folder, USER, PASSWORD]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.told = json.loads(self.process.stdout.readline())
        self.mails = pathlib.Path(self.told["mails"])

    def say(self, behaviour):
        """Asks for a behaviour; answers the events before it."""
        self.process.stdin.write(behaviour + "\n")
        self.process.stdin.flush()
        events = []
        while "event" in (line := json.loads(self.process.stdout.readline())):
            events.append(line["event"])
        return line, events

    def send(self, secure=True, password=PASSWORD):
        """What a client meets that sends one message, in a word."""
        context = ssl.create_default_context(cafile=self.told["authority"])
        try:
            with smtplib.SMTP(self.told["host"], self.told["port"], timeout=1) as client:
                if secure:
                    client.starttls(context=context)
                client.login(USER, password)
                client.sendmail("digest@town.example", ["a@town.example"], TEXT)
                return "taken"
        except smtplib.SMTPRecipientsRefused as refused:
            return str(refused.recipients["a@town.example"][0])
        except smtplib.SMTPResponseException as refused:
            return str(refused.smtp_code)
        except (OSError, smtplib.SMTPException) as error:
            return "silence" if "timed out" in str(error) else type(error).__name__


def check(server):
    wrong, messages = [], 0
    for behaviour, expected, last, kept in TABLE:
        server.say(behaviour)
        met = server.send()
        messages += kept
        events = server.say("ok" if behaviour != "down" else "down")[1]
        # A login that failed with one mechanism is tried with the next.
        if (met, events[-1] if events else None) != (expected, last):
            wrong.append(f"{behaviour}: {met}, {events}; expected {expected}, {last}")
        if len(list(server.mails.glob("*.eml"))) != messages:
            wrong.append(f"{behaviour}: {messages} messages expected")
    if (server.mails / "1.eml").read_bytes() != TEXT:
        wrong.append("a message is not as it was sent")
    envelope = {"from": "digest@town.example", "to": ["a@town.example"], "tls": True}
    if json.loads((server.mails / "1.json").read_text()) != envelope:
        wrong.append("an envelope is not as it was sent")
    for what, expected, arguments in [
        ("a login in the clear", "SMTPNotSupportedError", {"secure": False}), ("a wrong password", "535", {"password": "x"}),
    ]:
        if (met := server.send(**arguments)) != expected:
            wrong.append(f"{what}: {met}; expected {expected}")
    server.say("no_starttls")
    server.send(secure=False)
    if "password_in_the_clear" not in server.say("ok")[1]:
        wrong.append("a password in the clear is not told")
    if "wrong" not in server.say("nonsense")[0]:
        wrong.append("a behaviour that there is not is taken")
    return wrong


def ends(server, how):
    """Whether it ends, even with a client on which it hangs."""
    server.say("hang")
    with contextlib.closing(socket.create_connection((server.told["host"], server.told["port"]))):
        how(server.process)
        try:
            return server.process.wait(5) == 0
        except subprocess.TimeoutExpired:
            server.process.kill()
            return False


def main():
    with tempfile.TemporaryDirectory() as folder:
        server = Running(os.path.join(folder, "1"))
        wrong = check(server)
        if not ends(server, lambda process: process.stdin.close()):
            wrong.append("it does not end with its standard input")
        if not ends(Running(os.path.join(folder, "2")), lambda process: process.send_signal(signal.SIGTERM)):
            wrong.append("it does not end when it is told to")
    print("\n".join(wrong), end="\n" if wrong else "")
    print(f"the tests' mail server: {len(TABLE)} behaviours, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
