"""At the machine: a dial indicator, tests."""
