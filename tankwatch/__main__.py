"""Run ``python -m tankwatch`` as the ``tankwatch`` command."""

from tankwatch.cli import main

if __name__ == "__main__":
    main()
