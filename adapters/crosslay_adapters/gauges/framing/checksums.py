"""Checksums by name: sums, exclusive-or, and cyclic redundancy checks."""

from __future__ import annotations

import binascii
import functools
import operator
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Crc:
    """Parameters of a cyclic redundancy check (Williams, *A Painless Guide to CRC Error Detection Algorithms*, 1993).

    Attributes
    ----------
    bits
        Width.
    polynomial
        Without its top bit.
    initial
        Register at the start.
    final
        What the register is exclusive-ored with at the end.
    reflected
        Whether bytes go in, and the register comes out, lowest bit first.
    """

    bits: int
    polynomial: int
    initial: int
    final: int
    reflected: bool = False


#: Name and parameters as in the public catalogue of parametrised CRC algorithms; the tests hold its check values.
CATALOGUE: Final[dict[str, Crc]] = {
    "CRC-8/SMBUS": Crc(8, 0x07, 0x00, 0x00),
    "CRC-8/ROHC": Crc(8, 0x07, 0xFF, 0x00, reflected=True),
    "CRC-8/AUTOSAR": Crc(8, 0x2F, 0xFF, 0xFF),
    "CRC-16/ARC": Crc(16, 0x8005, 0x0000, 0x0000, reflected=True),
    "CRC-16/MODBUS": Crc(16, 0x8005, 0xFFFF, 0x0000, reflected=True),
    "CRC-16/XMODEM": Crc(16, 0x1021, 0x0000, 0x0000),
    "CRC-16/CCITT-FALSE": Crc(16, 0x1021, 0xFFFF, 0x0000),
    "CRC-16/GENIBUS": Crc(16, 0x1021, 0xFFFF, 0xFFFF),
    "CRC-16/KERMIT": Crc(16, 0x1021, 0x0000, 0x0000, reflected=True),
    "CRC-16/ISO-HDLC": Crc(16, 0x1021, 0xFFFF, 0xFFFF, reflected=True),
    "CRC-16/DNP": Crc(16, 0x3D65, 0x0000, 0xFFFF, reflected=True),
    "CRC-32/ISO-HDLC": Crc(32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, reflected=True),
    "CRC-32/ISCSI": Crc(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, reflected=True),
    "CRC-32/BZIP2": Crc(32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF),
    "CRC-32/MPEG-2": Crc(32, 0x04C11DB7, 0xFFFFFFFF, 0x00000000),
    "CRC-32/CKSUM": Crc(32, 0x04C11DB7, 0x00000000, 0xFFFFFFFF),
}
#: Plain checksums and their width in bits.
_PLAIN: Final = {"sum-8": 8, "sum-16": 16, "xor-8": 8}
NAMES: Final = (*_PLAIN, *CATALOGUE)


@dataclass(frozen=True, slots=True)
class Checksum:
    """One checksum: its width in bits and what computes it."""

    name: str
    bits: int
    of: Callable[[bytes], int]


@functools.cache
def checksum(name: str) -> Checksum:
    """Look a checksum up.

    Raises
    ------
    ValueError
        The name is not in `NAMES`; the text lists them.
    """
    if name == "xor-8":
        return Checksum(name, 8, lambda data: functools.reduce(operator.xor, data, 0))
    if name in _PLAIN:
        mask = (1 << _PLAIN[name]) - 1
        return Checksum(name, _PLAIN[name], lambda data: sum(data) & mask)
    if name not in CATALOGUE:
        raise ValueError(f'"{name}" is no checksum; possible are {", ".join(NAMES)}')
    crc = CATALOGUE[name]
    if name == "CRC-32/ISO-HDLC":
        return Checksum(name, 32, zlib.crc32)
    if (crc.bits, crc.polynomial, crc.reflected) == (16, 0x1021, False):
        return Checksum(name, 16, lambda data: binascii.crc_hqx(data, crc.initial) ^ crc.final)
    return Checksum(name, crc.bits, _by_table(crc))


def _by_table(crc: Crc) -> Callable[[bytes], int]:
    table = _reflected_table(crc) if crc.reflected else _table(crc)
    mask, initial, final, top = (1 << crc.bits) - 1, crc.initial, crc.final, crc.bits - 8
    if crc.reflected:
        start = _mirrored(initial, crc.bits)

        def reflected(data: bytes) -> int:
            register = start
            for byte in data:
                register = table[(register ^ byte) & 0xFF] ^ (register >> 8)
            return register ^ final

        return reflected

    def straight(data: bytes) -> int:
        register = initial
        for byte in data:
            register = table[(register >> top) ^ byte] ^ ((register << 8) & mask)
        return register ^ final

    return straight


def _table(crc: Crc) -> list[int]:
    top, mask = 1 << (crc.bits - 1), (1 << crc.bits) - 1
    table = []
    for byte in range(256):
        register = byte << (crc.bits - 8)
        for _ in range(8):
            register = (register << 1) ^ (crc.polynomial if register & top else 0)
        table.append(register & mask)
    return table


def _reflected_table(crc: Crc) -> list[int]:
    polynomial = _mirrored(crc.polynomial, crc.bits)
    table = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = (register >> 1) ^ (polynomial if register & 1 else 0)
        table.append(register)
    return table


def _mirrored(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)
