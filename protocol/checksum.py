"""The frame checksum: CRC-16 of polynomial 0x1021, initial value 0xFFFF, no reflection, no final XOR.

The catalogue of parametrised CRC algorithms calls it CRC-16/IBM-3740; its check value for "123456789" is 0x29B1.
Appending the CRC big-endian makes the CRC over the whole zero, which is how a receiver checks a frame.
"""

from __future__ import annotations

from binascii import crc_hqx

CRC_INIT = 0xFFFF
CRC_SIZE = 2


def crc16(data: bytes | bytearray | memoryview) -> int:
    """Return the CRC-16 of `data` as an integer 0..65535."""
    return crc_hqx(data, CRC_INIT)


def append_crc(data: bytes) -> bytes:
    """Return `data` followed by its CRC-16, big-endian."""
    return data + crc_hqx(data, CRC_INIT).to_bytes(2, "big")


def crc_holds(data_and_crc: bytes | bytearray | memoryview) -> bool:
    """Tell whether the last two bytes are the CRC-16 of what stands before them."""
    return len(data_and_crc) >= CRC_SIZE and crc_hqx(data_and_crc, CRC_INIT) == 0
