"""`python -m careplan_bridge` is the command `careplan-bridge`."""

from careplan_bridge.cli.main import main

if __name__ == "__main__":
    main()
