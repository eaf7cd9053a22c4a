"""A store that speaks the S3 protocol, on this machine, for as long as a test needs it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import boto3
import pytest
from moto.server import ThreadedMotoServer

BUCKET = "reports"


@contextmanager
def s3_store() -> Iterator[str]:
    """Run a store; returns its address."""
    server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    try:
        yield f"http://{host}:{port}"
    finally:
        server.stop()


def use_store(address: str, patch: pytest.MonkeyPatch) -> None:
    """Let the environment lead to a store, and put an empty bucket there."""
    for name, value in (
        ("AWS_ENDPOINT_URL", address), ("AWS_ACCESS_KEY_ID", "testing"),
        ("AWS_SECRET_ACCESS_KEY", "testing"), ("AWS_DEFAULT_REGION", "us-east-1"),
    ):  # fmt: skip
        patch.setenv(name, value)
    client = boto3.client("s3")
    client.create_bucket(Bucket=BUCKET)
    for name in stored(client):
        client.delete_object(Bucket=BUCKET, Key=name)
    client.close()


def stored(client: object = None) -> dict[str, bytes]:
    """Everything in the bucket."""
    opened = client or boto3.client("s3")
    found = opened.list_objects_v2(Bucket=BUCKET).get("Contents", [])  # type: ignore[attr-defined]
    return {
        each["Key"]: opened.get_object(Bucket=BUCKET, Key=each["Key"])["Body"].read()  # type: ignore[attr-defined]
        for each in found
    }
