"""How large a picture may be."""

from __future__ import annotations

from dataclasses import dataclass

from triage.errors import ImageError


@dataclass(frozen=True)
class Limits:
    """What is accepted as a picture; the defaults fit a whole 22 x 22 mm coverslip at 0.5 µm per pixel.

    Attributes
    ----------
    max_pixels : int
        Of a picture that can be decoded piece by piece.
    max_side : int
        Longer side in pixels.
    max_whole_pixels : int
        Of a picture whose decoder must hold all of it (HEIC, progressive JPEG, interlaced PNG).
    max_piece_bytes : int
        Of a compressed strip or tile of a TIFF, which the decoder must hold as a whole.
    max_memory_pixels : int
        Larger pictures are read from a tiled file instead of from memory.
    max_tile_px : int
        Longer side of the tiles of a large TIFF that is read in place.
    """

    max_pixels: int = 2_500_000_000
    max_side: int = 100_000
    max_whole_pixels: int = 150_000_000
    max_piece_bytes: int = 256 * 1024 * 1024
    max_memory_pixels: int = 40_000_000
    max_tile_px: int = 1024

    def check_size(self, name: str, width: int, height: int, *, held_whole: bool = False) -> None:
        """Refuse a picture that is too large.

        Raises
        ------
        ImageError
            If it is beyond the limits.
        """
        most = self.max_whole_pixels if held_whole else self.max_pixels
        if width * height > most or max(width, height) > self.max_side:
            raise ImageError(
                f"{name} is {width} x {height} px; at most {most:,} px in all and {self.max_side:,} px a "
                "side are read from a file of this form. Cut it into parts, or save it as a tiled TIFF."
            )

    def check_piece(self, name: str, held_bytes: int) -> None:
        """Refuse a TIFF one of whose compressed pieces is too large.

        Raises
        ------
        ImageError
            If it is beyond the limit.
        """
        if held_bytes > self.max_piece_bytes:
            raise ImageError(
                f"{name} holds {held_bytes:,} compressed bytes in one piece; at most "
                f"{self.max_piece_bytes:,} are read. Save it as a tiled TIFF."
            )
