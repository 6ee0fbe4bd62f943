"""`python -m audit` is `pullaudit`."""

from audit.cli.main import main

if __name__ == "__main__":
    main()
