"""An authority and one certificate for this machine, made for one test."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def make_certificates(folder: Path) -> tuple[Path, Path, Path]:
    """Files of the authority's certificate, of one it has signed, and of the key of that."""
    ca_key, key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    ca = _sign("test authority", ca_key.public_key(), "test authority", ca_key, is_ca=True)
    own = _sign("test cluster", key.public_key(), "test authority", ca_key, is_ca=False)
    files = [folder / name for name in ("ca.pem", "cert.pem", "key.pem")]
    for path, made in zip(files, (ca, own), strict=False):
        path.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    files[2].write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return files[0], files[1], files[2]


def _sign(subject, public_key, issuer, key, *, is_ca: bool) -> x509.Certificate:
    def named(name: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])

    now = datetime.datetime.now(datetime.UTC)
    here = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
    return (
        x509.CertificateBuilder()
        .subject_name(named(subject))
        .issuer_name(named(issuer))
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(minutes=5))
        .not_valid_after(now + datetime.timedelta(hours=1))
        .add_extension(x509.BasicConstraints(ca=is_ca, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([here]), critical=False)
        .sign(key, hashes.SHA256())
    )
