"""What can go wrong with the kept data.

StorageError            anything below; its text is one line fit to be shown
      FolderInUseError      another daemon holds the folder
      FolderUnusableError   the folder cannot be made, read or written
      DataTooNewError       a newer Fillside wrote it
"""

from __future__ import annotations

from pathlib import Path


class StorageError(Exception):
    """Something about the kept data; the text is one clear line."""


class FolderInUseError(StorageError):
    def __init__(self, folder: Path, holder: str) -> None:
        self.folder, self.holder = folder, holder
        by = f" (process {holder})" if holder else ""
        super().__init__(
            f"{folder} is held by another Fillside daemon{by}; stop that one or give another --data folder"
        )


class FolderUnusableError(StorageError):
    def __init__(self, folder: Path, reason: str) -> None:
        self.folder, self.reason = folder, reason
        super().__init__(f"cannot keep anything in {folder}: {reason}")


class DataTooNewError(StorageError):
    def __init__(self, path: Path, found: int, known: int) -> None:
        self.path, self.found, self.known = path, found, known
        super().__init__(
            f"{path} was written by a newer Fillside (schema {found}, this one knows {known}); "
            "upgrade, or give another --data folder"
        )
