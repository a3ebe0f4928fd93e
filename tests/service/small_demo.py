"""Runs the demo with small pictures and a detector that finds dark blobs, as the test of the demo does."""

from __future__ import annotations

from functools import partial

from blob_detector import BlobDetector, BlobRecord

PICTURE_WH = (320, 240)
# Drawn debris is pale; whatever stands out is a candidate here.
LOW_CUT = 0.05


def main() -> None:
    """Serve the demo until it is interrupted."""
    # Not above: every child of the service loads this module again, and then the whole service with it.
    import service.demo

    service.demo.PICTURE_WH = PICTURE_WH
    detector = BlobDetector(record=BlobRecord(default_cut=LOW_CUT))
    service.demo.run_demo(port=0, is_browser_opened=False, say=partial(print, flush=True), detector=detector)


if __name__ == "__main__":
    main()
