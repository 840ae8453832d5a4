#!/usr/bin/env python3
"""The door to every command: `python3 manage.py help`."""

import sys

from deploy.bootstrap import main

if __name__ == "__main__":
    sys.exit(main(sys.argv))
