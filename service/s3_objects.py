"""Finished files in a store that speaks the S3 protocol, with local copies of what is in use.

Asked of the store: HeadBucket, HeadObject, GetObject, PutObject, multipart uploads, ListObjectsV2 and
DeleteObjects; nothing else, so that any of the compatible ones will do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from service.copies import Copies
from service.errors import MissingError, UnreachableError
from service.settings import Settings

MIB = 1024 * 1024
# A part of an upload; at most this many bytes times `PARTS_AT_ONCE` are in memory.
PART_BYTES = 16 * MIB
PARTS_AT_ONCE = 2
READ_BYTES = MIB
DOWNLOAD_TRIES = 3
FORM_KEY = "coverslip-form"
# The way of naming the files; raised when it changes.
FORM = b"1"


class S3Objects:
    """Files in one bucket.

    Parameters
    ----------
    settings : Settings
        `object_store_url` is `s3://bucket` or `s3://bucket/prefix`.
    copies : Copies
        For what is in use here.
    new_path : callable
        Gives a path for an unfinished download, on the disk of the copies.

    Raises
    ------
    UnreachableError
        If boto3 is missing.
    """

    def __init__(self, settings: Settings, copies: Copies, new_path: Callable[[], Path]) -> None:
        place = urlsplit(settings.object_store_url or "")
        self._bucket, self._prefix = place.netloc, place.path.strip("/")
        self._where = f"the bucket {self._bucket!r} at {settings.object_store_endpoint or 'its provider'}"
        self._copies = copies
        self._new_path = new_path
        self._client = _connect(settings)

    def check(self) -> None:
        """Make sure that the bucket is there and holds files as this version names them.

        Raises
        ------
        UnreachableError
            If it isn't, refuses the keys, or was written by another version.
        """
        from botocore.exceptions import ClientError

        with self._reachable():
            try:
                self._client.head_bucket(Bucket=self._bucket)
            except ClientError as err:
                raise UnreachableError(_describe_bucket(_code(err), self._where)) from err
            form = self._read_form()
            if form is None:
                self._client.put_object(Bucket=self._bucket, Key=self._name(FORM_KEY), Body=FORM)
            elif form != FORM:
                raise UnreachableError(
                    f"The files in {self._where} are named in form {form.decode(errors='replace')!r}; this "
                    f"version names them in form {FORM.decode()!r}. Run the version that wrote them."
                )

    def add(self, key: str, source: Path) -> None:
        """Send a local file, in parts where it is large, and keep it as the local copy."""
        with self._reachable():
            if not self._is_stored(key):
                self._client.upload_file(str(source), self._bucket, self._name(key), Config=_in_parts())
        self._copies.add(key, source)

    def has(self, key: str) -> bool:
        """Whether there is a local copy, else whether the store has it."""
        if self._copies.find(key) is not None:
            return True
        with self._reachable():
            return self._is_stored(key)

    def fetch(self, key: str, *, sha256: str | None = None) -> Path:
        """The local copy; fetched now where there is none, one piece at a time."""
        copy = self._copies.find(key)
        return copy or self._copies.add(key, self._download(key, sha256))

    def remove(self, prefix: str) -> None:
        """Remove all below a prefix, here and in the store."""
        self._copies.remove(prefix)
        with self._reachable():
            for names in self._list(f"{prefix}/"):
                answer = self._client.delete_objects(
                    Bucket=self._bucket, Delete={"Objects": [{"Key": name} for name in names], "Quiet": True}
                )
                if answer.get("Errors"):
                    refused = answer["Errors"][0]
                    raise UnreachableError(
                        f"{self._where} did not remove {refused.get('Key')}: {refused.get('Message')}."
                    )

    def _name(self, key: str) -> str:
        return f"{self._prefix}/{key}" if self._prefix else key

    def _is_stored(self, key: str) -> bool:
        from botocore.exceptions import ClientError

        try:
            self._client.head_object(Bucket=self._bucket, Key=self._name(key))
        except ClientError as err:
            if _code(err) in ("404", "NoSuchKey", "NotFound"):
                return False
            raise
        return True

    def _read_form(self) -> bytes | None:
        if not self._is_stored(FORM_KEY):
            return None
        body = self._client.get_object(Bucket=self._bucket, Key=self._name(FORM_KEY))["Body"]
        form: bytes = body.read(64)
        return form

    def _list(self, prefix: str) -> Iterator[list[str]]:
        pages = self._client.get_paginator("list_objects_v2")
        for page in pages.paginate(Bucket=self._bucket, Prefix=self._name(prefix)):
            names = [found["Key"] for found in page.get("Contents", [])]
            if names:
                yield names

    def _download(self, key: str, sha256: str | None) -> Path:
        target = self._new_path()
        try:
            with self._reachable():
                for last in (*[False] * (DOWNLOAD_TRIES - 1), True):
                    if self._try_download(key, target, sha256, is_last=last):
                        return target
        except BaseException:
            target.unlink(missing_ok=True)
            raise
        target.unlink(missing_ok=True)
        raise UnreachableError(
            f"What {self._where} hands out as {key} are other bytes than were stored. Restore that file "
            "from a backup of the bucket."
        )

    def _try_download(self, key: str, target: Path, sha256: str | None, *, is_last: bool) -> bool:
        """Whether the bytes that came are the ones that were stored."""
        from botocore.exceptions import ClientError, HTTPClientError, IncompleteReadError

        digest, n_bytes = hashlib.sha256(), 0
        try:
            answer = self._client.get_object(Bucket=self._bucket, Key=self._name(key))
            with target.open("wb") as file:
                for piece in answer["Body"].iter_chunks(READ_BYTES):
                    digest.update(piece)
                    file.write(piece)
                    n_bytes += len(piece)
        except ClientError as err:
            if _code(err) in ("404", "NoSuchKey"):
                raise MissingError(f"There is no file {key}.") from err
            raise
        except (HTTPClientError, IncompleteReadError):
            if is_last:
                raise
            return False
        is_whole: bool = n_bytes == answer["ContentLength"]
        return is_whole and sha256 in (None, digest.hexdigest())

    @contextmanager
    def _reachable(self) -> Iterator[None]:
        from boto3.exceptions import Boto3Error
        from botocore.exceptions import BotoCoreError, ClientError

        try:
            yield
        except (BotoCoreError, ClientError, Boto3Error) as err:
            raise UnreachableError(
                f"{self._where} can't be used now: {err}. Check COVERSLIP_OBJECT_STORE_ENDPOINT, and that "
                "the store runs."
            ) from err


def open_objects(settings: Settings, new_path: Callable[[], Path]) -> S3Objects | None:
    """The store that the settings name, checked; None where files lie in the data folder.

    Raises
    ------
    UnreachableError
        If it can't be used; the message says why.
    """
    if settings.object_store_url is None:
        return None
    copies = Copies(settings.data_folder.absolute() / "copies", limit_bytes=settings.copies_limit_mib * MIB)
    objects = S3Objects(settings, copies, new_path)
    objects.check()
    return objects


def _connect(settings: Settings) -> Any:
    try:
        import boto3
        from botocore.config import Config
    except ModuleNotFoundError as err:
        raise UnreachableError(
            "COVERSLIP_OBJECT_STORE_URL is set, and boto3 isn't installed. Install the extra: "
            "pip install 'coverslip-triage[s3]'."
        ) from err
    key, secret = settings.object_store_key, settings.object_store_secret
    return boto3.client(
        "s3",
        endpoint_url=settings.object_store_endpoint,
        region_name=settings.object_store_region,
        # Unset: whatever the machine's own role, files or environment say, as boto3 finds them.
        aws_access_key_id=None if key is None else key.get_secret_value(),
        aws_secret_access_key=None if secret is None else secret.get_secret_value(),
        config=Config(
            connect_timeout=5,
            read_timeout=60,
            retries={"mode": "standard", "total_max_attempts": 4},
            max_pool_connections=32,
            # Not every compatible store knows the newer sums; originals are checked by their SHA-256.
            request_checksum_calculation="when_required",
            response_checksum_validation="when_required",
        ),
    )


def _in_parts() -> Any:
    from boto3.s3.transfer import TransferConfig

    return TransferConfig(
        multipart_threshold=PART_BYTES, multipart_chunksize=PART_BYTES, max_concurrency=PARTS_AT_ONCE
    )


def _code(error: Any) -> str:
    return str(error.response.get("Error", {}).get("Code", ""))


def _describe_bucket(code: str, where: str) -> str:
    if code in ("404", "NoSuchBucket"):
        return f"There is no {where.removeprefix('the ')}. Make it, or correct COVERSLIP_OBJECT_STORE_URL."
    if code in ("403", "AccessDenied", "InvalidAccessKeyId", "SignatureDoesNotMatch"):
        return (
            f"The keys don't open {where}. Correct COVERSLIP_OBJECT_STORE_KEY and "
            "COVERSLIP_OBJECT_STORE_SECRET."
        )
    return f"The store answered {code!r} for {where}. Look into its log."
