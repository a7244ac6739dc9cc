#!/usr/bin/env python3
"""A mail server for tests, on a loopback port: STARTTLS and AUTH are required, and every message becomes two files.

    server.py FOLDER USER PASSWORD

It tells where it listens in one line of JSON: `host`, `port`, `authority` (the file with the authority that a client has
to trust), `mails` (the folder of the messages). Message 1 is `1.eml`, bytes as they came, and `1.json`, its envelope.

A line on its standard input is a behaviour, which holds until the next one; each is confirmed by a line `{"now": …}`:

    ok                     takes every message
    down                   closes the port and every connection; the next behaviour opens the same port again
    hang                   accepts connections and never says a word
    hang_after_data        keeps the message and never confirms it
    drop_after_data        keeps the message and closes the connection instead of confirming it
    busy                   451 for every recipient: try again later
    refuse ADDRESS ...     550 for these recipients
    no_relay               550 for every recipient, since it does not know the sender
    no_starttls            offers no STARTTLS but a login in the clear, as somebody in between would
    wrong_certificate      a certificate for another name
    untrusted_certificate  a certificate of an authority that nobody trusts
    refuse_auth            535 for every login

What happens is told in lines `{"event": …}`: `connected`, `login`, `login_refused`, `password_in_the_clear`,
`recipient_refused`, `mail`. It ends when its standard input does, so that it never outlives its test, and on SIGTERM.
"""

import asyncio
import functools
import json
import logging
import os
import pathlib
import signal
import sys
import warnings

from aiosmtpd.smtp import SMTP, AuthResult
from certificates import Certificates

HOST = "127.0.0.1"
BEHAVIOURS = {
    "ok", "down", "hang", "hang_after_data", "drop_after_data", "busy", "refuse", "no_relay", "no_starttls", "wrong_certificate",
    "untrusted_certificate", "refuse_auth",
}
LARGEST = 10 << 20


def say(**what):
    print(json.dumps(what), flush=True)


class Silent(asyncio.Protocol):
    """A connection on which nothing is ever said."""

    def __init__(self, server):
        self.server = server

    def connection_made(self, transport):
        self.transport = transport
        self.server.open.add(transport)
        say(event="connected")

    def connection_lost(self, error):
        self.server.open.discard(self.transport)


class Session(SMTP):
    """A connection of the kept server, which the server can close."""

    def connection_made(self, transport):
        # The second time is TLS over the same connection.
        if self.transport is None:
            self.first = transport
            self.event_handler.open.add(transport)
            say(event="connected")
        super().connection_made(transport)

    def connection_lost(self, error):
        self.event_handler.open.discard(self.first)
        super().connection_lost(error)


class Server:
    """What it does now, and what it has taken."""

    def __init__(self, folder, user, password):
        self.login = (user.encode(), password.encode())
        self.certificates = Certificates(folder / "tls")
        self.contexts = {name: self.certificates.context(name) for name in ("right", "wrong", "untrusted")}
        self.mails = folder / "mails"
        self.mails.mkdir()
        self.taken = 0
        self.behaviour, self.refused = "ok", []
        self.open = set()
        self.port, self.listener = 0, None

    async def behave(self, line):
        words = line.split() or [""]
        if words[0] not in BEHAVIOURS or (words[0] == "refuse") != (len(words) > 1):
            say(wrong=line)
            return
        self.behaviour, self.refused = words[0], [address.lower() for address in words[1:]]
        if self.behaviour == "down":
            await self.close()
        elif self.listener is None:
            await self.listen()
        say(now=line)

    async def listen(self):
        loop = asyncio.get_running_loop()
        self.listener = await loop.create_server(self.session, HOST, self.port, reuse_address=True)
        self.port = self.listener.sockets[0].getsockname()[1]

    async def close(self):
        if self.listener is not None:
            self.listener.close()
            self.listener = None
        for transport in list(self.open):
            transport.abort()

    def session(self):
        if self.behaviour == "hang":
            return Silent(self)
        kind = {"wrong_certificate": "wrong", "untrusted_certificate": "untrusted"}.get(self.behaviour, "right")
        secure = self.behaviour != "no_starttls"
        return Session(
            self, hostname="mail.test", data_size_limit=LARGEST, timeout=300, enable_SMTPUTF8=False,
            tls_context=self.contexts[kind] if secure else None, require_starttls=secure,
            auth_required=True, auth_require_tls=secure, authenticator=self.authenticate,
        )

    def authenticate(self, session, smtp, envelope, mechanism, data):
        if session.session.ssl is None:
            say(event="password_in_the_clear")
        granted = self.behaviour != "refuse_auth" and (data.login, data.password) == self.login
        say(event="login" if granted else "login_refused")
        # Unless it is said that the reply is still to come, the client waits for it in vain.
        return AuthResult(success=granted, handled=False)

    async def handle_RCPT(self, smtp, session, envelope, address, options):
        if self.behaviour == "busy":
            say(event="recipient_refused", address=address, code=451)
            return "451 4.3.2 try again later"
        if self.behaviour == "no_relay":
            say(event="recipient_refused", address=address, code=550)
            return "550 5.7.1 relaying denied"
        if address.lower() in self.refused:
            say(event="recipient_refused", address=address, code=550)
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, smtp, session, envelope):
        behaviour = self.behaviour
        self.taken += 1
        number = self.taken
        self.keep(number, session, envelope)
        say(event="mail", number=number)
        if behaviour == "drop_after_data":
            smtp.transport.abort()
        if behaviour == "hang_after_data":
            await asyncio.Event().wait()
        return f"250 2.0.0 kept as {number}"

    def keep(self, number, session, envelope):
        written = {"from": envelope.mail_from, "to": envelope.rcpt_tos, "tls": session.ssl is not None}
        (self.mails / f"{number}.eml").write_bytes(envelope.original_content)
        (self.mails / f"{number}.json").write_text(json.dumps(written), encoding="utf-8")


async def serve(folder, user, password):
    server = Server(folder, user, password)
    loop = asyncio.get_running_loop()
    over = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, over.set)
    await server.listen()
    commands = asyncio.StreamReader()
    await loop.connect_read_pipe(functools.partial(asyncio.StreamReaderProtocol, commands), sys.stdin)
    say(host=HOST, port=server.port, authority=str(server.certificates.authority), mails=str(server.mails))

    async def obey():
        while line := await commands.readline():
            await server.behave(line.decode().strip())
        over.set()

    obeying = asyncio.create_task(obey())
    await over.wait()
    obeying.cancel()
    await server.close()


def main():
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    # Connections end in every way here; the kept server has something to say about each.
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    logging.getLogger("asyncio").setLevel(logging.CRITICAL)
    warnings.simplefilter("ignore")
    asyncio.run(serve(pathlib.Path(sys.argv[1]).resolve(), *sys.argv[2:]))
    sys.stdout.flush()
    # A session that hangs must not keep the process.
    os._exit(0)


if __name__ == "__main__":
    main()
