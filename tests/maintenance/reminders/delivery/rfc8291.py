"""A browser's side of Web Push, written from RFC 8188, RFC 8291 (decryption) and RFC 8292 (who sends)."""

import base64
import hashlib
import hmac
import json
from dataclasses import dataclass

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

CURVE = ec.SECP256R1()


def from_base64url(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def to_base64url(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).decode().rstrip("=")


def _point(key: ec.EllipticCurvePublicKey) -> bytes:
    return key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def _hmac(key: bytes, content: bytes) -> bytes:
    return hmac.digest(key, content, hashlib.sha256)


@dataclass(frozen=True)
class Browser:
    """A subscription with its private half."""

    private: ec.EllipticCurvePrivateKey
    auth: bytes

    @property
    def keys(self) -> dict[str, str]:
        """As PushSubscription.toJSON() has them."""
        return {"p256dh": to_base64url(_point(self.private.public_key())), "auth": to_base64url(self.auth)}

    def decrypt(self, body: bytes) -> bytes:
        """The content of one record of aes128gcm, as RFC 8291, 3.4, writes it out."""
        salt, record, length = body[:16], int.from_bytes(body[16:20]), body[20]
        sender, sealed = body[21 : 21 + length], body[21 + length :]
        assert len(sealed) <= record
        shared = self.private.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(CURVE, sender))
        info = b"WebPush: info\0" + _point(self.private.public_key()) + sender
        material = _hmac(_hmac(self.auth, shared), info + b"\x01")
        secret = _hmac(salt, material)
        key = _hmac(secret, b"Content-Encoding: aes128gcm\0\x01")[:16]
        nonce = _hmac(secret, b"Content-Encoding: nonce\0\x01")[:12]
        padded = AESGCM(key).decrypt(nonce, sealed, None).rstrip(b"\0")
        assert padded[-1:] == b"\x02", "the mark of the last record"
        return padded[:-1]


def new_browser() -> Browser:
    return Browser(ec.generate_private_key(CURVE), b"sixteen bytes...")


def claims_of(authorization: str) -> tuple[dict, str]:
    """What a sender says of itself, its signature checked (RFC 8292, 2 and 3), and its public key."""
    scheme, _, rest = authorization.partition(" ")
    assert scheme == "vapid"
    fields = dict(part.strip().split("=", 1) for part in rest.split(","))
    head, claims, signature = fields["t"].split(".")
    assert json.loads(from_base64url(head))["alg"] == "ES256"
    raw = from_base64url(signature)
    assert len(raw) == 64
    der = encode_dss_signature(int.from_bytes(raw[:32]), int.from_bytes(raw[32:]))
    key = ec.EllipticCurvePublicKey.from_encoded_point(CURVE, from_base64url(fields["k"]))
    key.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(SHA256()))
    return json.loads(from_base64url(claims)), fields["k"]
