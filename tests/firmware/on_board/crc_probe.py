"""Prints the CRC-32 that the journal uses, of the digits 1 to 9: at once, and in two parts."""

import binascii

print("%08x" % binascii.crc32(b"123456789"))
print("%08x" % binascii.crc32(b"6789", binascii.crc32(b"12345")))
