"""Certificates of the test's mail server, made by openssl: nothing that lasts is checked in."""

import ssl
import subprocess

# What a leaf is made for, and who vouches for it.
LEAVES = {
    "right": ("DNS:localhost,IP:127.0.0.1", "authority"),
    "wrong": ("DNS:mail.elsewhere.example", "authority"),
    "untrusted": ("DNS:localhost,IP:127.0.0.1", "stranger"),
}


class Certificates:
    """An authority, one that nobody knows, and a leaf of each kind in `folder`."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir(parents=True)
        for name in ("authority", "stranger"):
            self._authority(name)
        for name, (subject, issuer) in LEAVES.items():
            self._leaf(name, subject, issuer)

    @property
    def authority(self):
        """The file that a client has to trust."""
        return self.folder / "authority.pem"

    def context(self, name):
        """What TLS needs to show the leaf `name`."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(self.folder / f"{name}.pem", self.folder / f"{name}.key")
        return context

    def _authority(self, name):
        usage = ["-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign"]
        self._openssl("req", "-x509", *self._new(name), "-days", "2", *usage, "-out", f"{name}.pem")

    def _leaf(self, name, subject, issuer):
        self._openssl("req", *self._new(name), "-out", f"{name}.csr")
        wanted = f"subjectAltName={subject}\nbasicConstraints=CA:FALSE\nextendedKeyUsage=serverAuth\n"
        (self.folder / f"{name}.ext").write_text(wanted, encoding="ascii")
        signed = ["-CA", f"{issuer}.pem", "-CAkey", f"{issuer}.key", "-CAcreateserial", "-extfile", f"{name}.ext"]
        self._openssl("x509", "-req", "-in", f"{name}.csr", *signed, "-days", "2", "-out", f"{name}.pem")

    def _new(self, name):
        key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-noenc", "-keyout", f"{name}.key"]
        return [*key, "-subj", f"/CN=Keepstart tests {name}"]

    def _openssl(self, *arguments):
        done = subprocess.run(["openssl", *arguments], cwd=self.folder, capture_output=True, timeout=30)
        if done.returncode != 0:
            raise SystemExit(f"openssl {arguments[0]}: {done.stderr.decode(errors='replace')}")
