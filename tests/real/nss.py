"""A certificate and its key into a database of NSS, which Debian's UPS server reads; run as a program of its own.

`python nss.py FOLDER NICKNAME PASSWORD KEY.der CERT.der PUBLIC.der`: PKCS #8 key, certificate, and the modulus by which
NSS finds the one for the other. The calls are those of NSS's own tools; the library comes with nut-server.
"""

import ctypes
import sys
from pathlib import Path


class Item(ctypes.Structure):
    """SECItem."""

    _fields_ = (("type", ctypes.c_int), ("data", ctypes.c_char_p), ("len", ctypes.c_uint))


def item(data: bytes) -> Item:
    """Bytes for NSS."""
    return Item(0, data, len(data))


def main(folder: str, nickname: str, password: str, *files: str) -> None:
    """Make the database."""
    key, cert, public = (Path(name).read_bytes() for name in files)
    nss = ctypes.CDLL("libnss3.so")
    nss.PK11_GetInternalKeySlot.restype = ctypes.c_void_p

    def do(name: str, *arguments: object) -> None:
        if getattr(nss, name)(*arguments) != 0:
            sys.exit(f"{name} failed with {nss.PORT_GetError()}")

    do("NSS_InitReadWrite", f"sql:{folder}".encode())
    slot = ctypes.c_void_p(nss.PK11_GetInternalKeySlot())
    do("PK11_InitPin", slot, None, password.encode())
    do("PK11_CheckUserPassword", slot, password.encode())
    own = ctypes.c_void_p()
    name, modulus = item(nickname.encode()), item(public)
    usage = ctypes.c_uint(0xFF)  # KU_ALL
    do(
        "PK11_ImportDERPrivateKeyInfoAndReturnKey", slot, ctypes.byref(item(key)), ctypes.byref(name),
        ctypes.byref(modulus), 1, 1, usage, ctypes.byref(own), None,
    )  # fmt: skip
    do("PK11_ImportDERCert", slot, ctypes.byref(item(cert)), ctypes.c_ulong(0), nickname.encode(), 0)
    nss.NSS_Shutdown()


if __name__ == "__main__":
    main(*sys.argv[1:])
