"""Prints the CRC-32 that the journal uses, of the digits 1 to 9: at once, and in two parts."""

import binascii

print(f"{binascii.crc32(b'123456789'):08x}")
print(f"{binascii.crc32(b'6789', binascii.crc32(b'12345')):08x}")
