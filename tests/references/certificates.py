"""Certificates of our own for tests of TLS, made anew each time."""

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec


def _certificate(folder, name, hosts, issuer=None, issuer_key=None):
    """A certificate and its key as PEM files; without an issuer an authority of its own."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    names = [x509.DNSName(h) if not h[0].isdigit() else x509.IPAddress(ip_address(h)) for h in hosts]
    own = key if issuer_key is None else issuer_key
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject if issuer is None else issuer.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.BasicConstraints(ca=issuer is None, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(own.public_key()), critical=False)
    )
    if names:
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    if issuer is None:
        usage = dict.fromkeys(
            ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement"), False
        )
        made = made.add_extension(
            x509.KeyUsage(**usage, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False),
            critical=True,
        )
    made = made.sign(own, hashes.SHA256())
    pem, secret = folder / f"{name}.pem", folder / f"{name}.key"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return made, key, pem, secret


class Certificates:
    """An authority with a server's certificate for 127.0.0.1 and `host`, one for another host; others that nobody knows."""

    def __init__(self, folder, host="db.example"):
        authority, key, self.ca, _ = _certificate(folder, "authority", ())
        *_, good, good_key = _certificate(folder, "good", ("127.0.0.1", host), authority, key)
        *_, other, other_key = _certificate(folder, "other", ("archive.example",), authority, key)
        *_, self.stranger, _ = _certificate(folder, "stranger", ())
        *_, own, own_key = _certificate(folder, "impostor", ("127.0.0.1", host))
        self.impostor = own, own_key  # signed by itself, with the right names
        self.good, self.other_host = (good, good_key), (other, other_key)
