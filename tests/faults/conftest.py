"""The databases of the service's tests."""

from tests.service.conftest import blank_database, blank_file, blank_url, store_url  # noqa: F401  # the same
