"""The fuzzer is a program, not a test: it needs an extra library and runs for as long as it is told."""

collect_ignore = ["fuzz.py"]
