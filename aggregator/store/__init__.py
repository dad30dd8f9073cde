"""History, journal, messages set aside and states on disk. Nothing else imports sqlite3."""

from aggregator.store.limits import Limits, StoreError
from aggregator.store.reader import AsideRow, HistoryRow
from aggregator.store.store import Store
from aggregator.store.writer import Commit

__all__ = ["AsideRow", "Commit", "HistoryRow", "Limits", "Store", "StoreError"]
