"""Signing evidence with Ed25519 (RFC 8032), by keys in PEM files as OpenSSL writes them."""

from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from wearscope.errors import InputError, RecordsError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["fingerprint", "make_key", "public_key", "read_key", "sign", "signed_by"]

NEEDED = "signatures need the cryptography library; install it with: pip install 'wearscope[signature]'"


def make_key(path: Path) -> None:
    """Write a new private key, readable by its owner only. Raises RecordsError where the file is there already."""
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    except ImportError as error:
        raise RecordsError(NEEDED) from error
    pem = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    try:
        path.touch(mode=0o600, exist_ok=False)
        path.write_bytes(pem)
    except OSError as error:
        raise RecordsError(f"{path}: no key written ({error.strerror}); name a new file") from error


def read_key(path: Path) -> "Ed25519PrivateKey":
    """The private key of a PEM file without a password. Raises InputError for anything else."""
    try:
        from cryptography.exceptions import UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key
    except ImportError as error:
        raise RecordsError(NEEDED) from error
    try:
        key = load_pem_private_key(path.read_bytes(), None)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); give a key file") from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise InputError(f"{path}: not a private key in PEM without a password ({error})") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError(f"{path}: not an Ed25519 key; make one with `wearscope evidence --new-key FILE`")
    return key


def sign(message: bytes, key: "Ed25519PrivateKey") -> bytes:
    """The 64 bytes of the signature."""
    return key.sign(message)


def public_key(key: "Ed25519PrivateKey") -> bytes:
    """The public key in PEM."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def signed_by(message: bytes, signature: bytes, public_pem: bytes) -> bool:
    """Whether the signature is that of this key over this message. False for what is no key or no signature."""
    try:
        from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        from cryptography.hazmat.primitives.serialization import load_pem_public_key
    except ImportError as error:
        raise RecordsError(NEEDED) from error
    try:
        key = load_pem_public_key(public_pem)
        if not isinstance(key, Ed25519PublicKey):
            return False
        key.verify(signature, message)
    except (ValueError, TypeError, InvalidSignature, UnsupportedAlgorithm):
        return False
    return True


def fingerprint(public_pem: bytes) -> str:
    """What people compare: SHA-256 of the public key's PEM text, in groups of four."""
    digest = sha256(public_pem).hexdigest()[:32]
    return " ".join(digest[i : i + 4] for i in range(0, len(digest), 4))
