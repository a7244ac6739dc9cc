"""A good mail, written by hand for the judge's own test; no more is taken from what writes the real ones."""

import base64
import struct
import zlib

ENVELOPE = {"from": "digest@keepstart.example", "to": ["duty@tarnvalley.example"], "tls": True}
LINK = "https://keepstart.example/v1/units/0198f0a1-7c00-7000-8000-0000000000a7/due"
LATER_LINK = "https://keepstart.example/v1/units/0198f0a1-7c00-7000-8000-0000000000b2/due"
TOKEN = "q7Jc0vWmT4x1ZpRk9sYbE2aHdLu8NfGi"
OVERDUE = [0, 0, 1, 1, 2, 2, 1, 1, 2, 2, 2, 3]

HEADERS = f"""From: Keepstart <digest@keepstart.example>
To: duty@tarnvalley.example
Date: Thu, 11 Sep 2025 06:00:00 -0600
Message-ID: <digest.tarn-valley.duty.2025-09-11.c40a8f9715e13779@keepstart.example>
References: <digest.tarn-valley.duty.2025-09-10.0123456789abcdef@keepstart.example>
Subject: =?utf-8?Q?[G=C3=A9n=C3=A9rateurs]?= 1 overdue, 1 due this week -
 worst: FS-3 U7 oil change +9.0 h
List-Id: =?utf-8?Q?G=C3=A9n=C3=A9rateurs?= <duty.keepstart.example>
List-Unsubscribe: <https://keepstart.example/v1/unsubscribe/{TOKEN}>,
 <mailto:unsubscribe@keepstart.example?subject=duty>
List-Unsubscribe-Post: List-Unsubscribe=One-Click
Auto-Submitted: auto-generated
MIME-Version: 1.0
Content-Type: multipart/alternative; boundary="outer"
"""

TEXT = f"""Generators of Tarn Valley, 2025-09-11

1 overdue, 1 due this week

OVERDUE (1)

FS-3 U7: oil change, +9.0 h, since 2025-09-10, grade B: do the work
{LINK}

DUE THIS WEEK

PS-2 U2: load test, in 3 days, until 2025-09-14, grade A: do the work
{LATER_LINK}

OVERDUE OVER THE LAST 12 WEEKS

{", ".join(map(str, OVERDUE))}
"""

PAGE = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>Generators of Tarn Valley</title>
<style>body {{ color: #111; background: #fff }}</style>
</head>
<body>
<h1>Generators of Tarn Valley, 2025-09-11</h1>
<p>1 overdue, 1 due this week</p>
<h2>Overdue (1)</h2>
<table>
<tr><th scope="col">Site</th><th scope="col">Unit</th><th scope="col">Task</th><th scope="col">Late</th>
<th scope="col">Since</th><th scope="col">Grade</th><th scope="col">Next</th></tr>
<tr><td>FS-3</td><td><a href="{LINK}">U7</a></td><td>oil change</td><td>+9.0 h</td><td>2025-09-10</td><td>B</td>
<td>do the work</td></tr>
</table>
<h2>Due this week</h2>
<table>
<tr><th scope="col">Site</th><th scope="col">Unit</th><th scope="col">Task</th><th scope="col">In</th>
<th scope="col">Until</th><th scope="col">Grade</th><th scope="col">Next</th></tr>
<tr><td>PS-2</td><td><a href="{LATER_LINK}">U2</a></td><td>load test</td><td>3 days</td><td>2025-09-14</td><td>A</td>
<td>do the work</td></tr>
</table>
<h2>Overdue over the last 12 weeks</h2>
<p><img src="cid:weeks" alt="Overdue week by week: {", ".join(map(str, OVERDUE))}" width="280" height="80"></p>
</body>
</html>
"""


def chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png():
    """Two grey pixels."""
    header = struct.pack(">IIBBBBB", 2, 1, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\0\x80\x80")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def mail(headers=HEADERS, text=TEXT, page=PAGE, picture=None):
    """The bytes of the mail; what is given takes the place of what is good."""
    picture = base64.encodebytes(png() if picture is None else picture).decode()
    body = f"""
--outer
Content-Type: text/plain; charset=utf-8
Content-Transfer-Encoding: 8bit

{text}
--outer
Content-Type: multipart/related; boundary="inner"

--inner
Content-Type: text/html; charset=utf-8
Content-Transfer-Encoding: 8bit

{page}
--inner
Content-Type: image/png
Content-Transfer-Encoding: base64
Content-ID: <weeks>
Content-Disposition: inline

{picture}--inner--
--outer--
"""
    return (headers + body).encode("utf-8", "surrogateescape").replace(b"\n", b"\r\n")
