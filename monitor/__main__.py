"""`python -m monitor` is the command `runin`."""

from monitor.cli import main

if __name__ == "__main__":
    main()
