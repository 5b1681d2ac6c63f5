"""Bytes and a mapping in, measurements out."""
