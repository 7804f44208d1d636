"""The command line's fixtures, for tests outside tests/cli as well."""

from tests.cli.conftest import coupon, result_schema, run

__all__ = ["coupon", "result_schema", "run"]
