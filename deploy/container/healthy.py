"""The health check of the container: exit code 0 where the service answers. Of the standard library, to be quick."""

import http.client
import os
import sys

HEALTH = "/healthz"


def healthy(port: int) -> bool:
    """Whether the service on this port of this machine says within four seconds that it is alive."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=4)  # no proxy, whatever the environment says
    try:
        connection.request("GET", HEALTH)
        return connection.getresponse().status == 200
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


if __name__ == "__main__":
    sys.exit(0 if healthy(int(os.environ.get("FROSTSHIFT_PORT") or 8765)) else 1)
