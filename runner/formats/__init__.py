"""Readers and writers of file formats: bytes in, arrays out. Nothing here knows what a scan or a nominal is."""
