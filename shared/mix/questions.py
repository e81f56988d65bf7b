"""What to ask of each feedstock before it goes in (common practice, no source)."""

from __future__ import annotations

from typing import NamedTuple


class Question(NamedTuple):
    id: str
    text: str


ANIMAL = (
    Question("diet", "What did the animals eat, and was that fodder or its pasture sprayed?"),
    Question("age", "How old is the manure, and how was it kept?"),
    Question("medicine", "When were the animals last wormed or given antibiotics, and with what?"),
)
PLANT = (
    Question("sprays", "Was it, or the land it grew on, treated with a herbicide or pesticide that lasts?"),
    Question("seeds", "Does it carry ripe seed heads or roots that grow again?"),
)
WOOD = (Question("treated", "Is any of it painted, glued, pressure-treated or demolition wood?"),)
ALL = (
    Question("pieces", "How large are the pieces, and does it clump or mat when wet?"),
    Question("test_heap", "How fast did a small test heap of it warm up?"),
)
_ANIMAL_WORDS = ("manure", "litter", "dung", "bedding", "slurry", "droppings")
_WOOD_WORDS = ("wood", "sawdust", "chip", "bark", "shaving", "timber", "pallet", "cardboard", "newsprint")


def questions_for(name: str) -> tuple[Question, ...]:
    """Those that its name calls for; manure is asked of its bedding and fodder as a plant is."""
    words = name.lower()
    found: tuple[Question, ...] = ()
    if any(word in words for word in _ANIMAL_WORDS):
        found += ANIMAL
    if any(word in words for word in _WOOD_WORDS):
        found += WOOD
    return (*found, *PLANT, *ALL)
