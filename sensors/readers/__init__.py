"""A small computer's own probes, read through the kernel's files and published like any other probe."""
