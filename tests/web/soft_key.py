"""A passkey in software, so that wrong answers can be made too.

Written from W3C Web Authentication, level 2 (5.8.1 client data, 6.1 authenticator data, 6.5 attestation) and
RFC 9053 (keys in COSE).
"""

from __future__ import annotations

import hashlib
import json
import secrets
from base64 import urlsafe_b64encode
from dataclasses import dataclass, field, replace
from typing import Any

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec

PRESENT, VERIFIED, ATTESTED = 0x01, 0x04, 0x40


def b64(data: bytes) -> str:
    return urlsafe_b64encode(data).rstrip(b"=").decode()


@dataclass(frozen=True)
class SoftKey:
    """One key of one device. Its fields make it lie: another origin, nobody verified, an old count."""

    host: str = "localhost"
    origin: str = "http://localhost"
    flags: int = PRESENT | VERIFIED
    count: int = 0
    id: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    private: ec.EllipticCurvePrivateKey = field(
        default_factory=lambda: ec.generate_private_key(ec.SECP256R1())
    )

    def but(self, **changes: Any) -> SoftKey:
        return replace(self, **changes)

    def _client_data(self, kind: str, challenge: str) -> bytes:
        return json.dumps({"type": kind, "challenge": challenge, "origin": self.origin}).encode()

    def _data(self, flags: int, more: bytes = b"") -> bytes:
        return (
            hashlib.sha256(self.host.encode()).digest()
            + bytes([flags])
            + self.count.to_bytes(4, "big")
            + more
        )

    def _public(self) -> bytes:
        """COSE key in CBOR: kty 2 (EC2), alg -7 (ES256), crv 1 (P-256), x, y."""
        numbers = self.private.public_key().public_numbers()
        x, y = (each.to_bytes(32, "big") for each in (numbers.x, numbers.y))
        return bytes.fromhex("a5010203262001215820") + x + bytes.fromhex("225820") + y

    def made(self, asked: dict[str, Any]) -> str:
        """The answer to "make a passkey", with attestation "none"."""
        told = bytes(16) + len(self.id).to_bytes(2, "big") + self.id + self._public()
        data = self._data(self.flags | ATTESTED, told)
        cbor = bytes.fromhex("a363666d74646e6f6e656761747453746d74a0686175746844617461")
        attestation = cbor + b"\x59" + len(data).to_bytes(2, "big") + data
        client = self._client_data("webauthn.create", asked["challenge"])
        return self._answer(clientDataJSON=client, attestationObject=attestation)

    def signed(self, asked: dict[str, Any], kind: str = "webauthn.get") -> str:
        """The answer to "sign in"."""
        data, client = self._data(self.flags), self._client_data(kind, asked["challenge"])
        signature = self.private.sign(data + hashlib.sha256(client).digest(), ec.ECDSA(hashes.SHA256()))
        return self._answer(clientDataJSON=client, authenticatorData=data, signature=signature)

    def _answer(self, **parts: bytes) -> str:
        response = {name: b64(value) for name, value in parts.items()}
        told = {"id": b64(self.id), "rawId": b64(self.id), "type": "public-key", "response": response}
        return json.dumps(told)
