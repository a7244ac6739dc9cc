"""Reads the change log of a SQLite database and checks its bodies, content hashes and leaves with the PyPI
implementation of RFC 8785, which shares no code with the service's own."""

import hashlib
import json
import sqlite3
import sys
import uuid

import rfc8785

KEYS = ("organization", "edit_id", "group_id", "record_id", "unit_id", "author", "on_behalf_of", "handset")


def as_text(column, value):
    return str(uuid.UUID(bytes=value)) if column in KEYS and value is not None else value


def leaf(row):
    columns = {name: as_text(name, row[name]) for name in row.keys() if name not in ("body", "content_hash", "leaf_hash")}
    columns["body_hash"] = hashlib.sha256(row["body"].encode()).hexdigest()
    columns["content_hash"] = row["content_hash"].hex()
    return hashlib.sha256(b"\x00" + rfc8785.dumps(columns)).digest()


def content_hash(row, body):
    content = {"kind": row["record_kind"], "record": as_text("record_id", row["record_id"]), "body": body}
    return hashlib.sha256(rfc8785.dumps(content)).digest()


def wrong(row):
    body = json.loads(row["body"])
    if rfc8785.dumps(body) != row["body"].encode():
        yield "body is not canonical"
    if content_hash(row, body) != row["content_hash"]:
        yield "content hash differs"
    if leaf(row) != row["leaf_hash"]:
        yield "leaf hash differs"


def main(path):
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    rows = connection.execute("SELECT * FROM change_log ORDER BY organization, seq").fetchall()
    failed = [f"row {row['seq']}: {what}" for row in rows for what in wrong(row)]
    print("\n".join(failed), end="\n" if failed else "")
    print(f"{len(rows) - len(failed)} passed, {len(failed)} failed")
    return 1 if failed or not rows else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
