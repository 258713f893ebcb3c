"""Taking back one's own correction of a photograph: the outlines and the doubt before it return."""

from __future__ import annotations

from budvision.errors import ConflictError, NotFoundError
from budvision.store.queries import proposals
from budvision.store.queries.people import Person
from budvision.store.queries.photos import photo_by_id
from budvision.store.session import Season
from budvision.vocabulary import Proposal

__all__ = ["take_back"]


def take_back(season: Season, photo_id: int, region_id: int, *, person: Person) -> int:
    """Take back one's own correction, by new rows; what stood before stands again.

    Names that nobody has answered for are doubtful again: the proposal before the correction
    returns as it was.

    Parameters
    ----------
    photo_id : int
        The photograph.
    region_id : int
        The region that the correction made.
    person : Person
        Who takes it back; the one who made it.

    Returns
    -------
    int
        The region that stands now.

    Raises
    ------
    NotFoundError
        When the photograph has no such correction.
    ConflictError
        When it is another person's, or outlines were corrected since.
    """
    with season.write() as conn:
        photo = photo_by_id(conn, photo_id)
        regions = {one.id: one for one in proposals.regions_of_photo(conn, photo_id)}
        made = regions.get(region_id)
        before = None if made is None or made.replaces_id is None else regions[made.replaces_id]
        if made is None or made.person_id is None or before is None:
            raise NotFoundError("there is nothing to take back", where="outlines",
                                do="Open the photograph to see its outlines.")
        if made.person_id != person.id:
            raise ConflictError("this correction is somebody else's", where="outlines",
                                expected="your own", do="Correct the outlines again instead.")
        current = proposals.current_region(conn, photo_id)
        if current is None or current.id != region_id:
            raise ConflictError("the outlines were corrected since", where="outlines",
                                expected="the newest correction", do="Load the page again.")
        new_id = proposals.save_region(
            conn, photo_id, before.labels, before.box, model_id=before.model_id,
            person_id=None if before.person_id is None else person.id,
            note=f"taken back by {person.name}", replaces_id=region_id,
        )
        earlier = [row for row in proposals.proposal_history(conn, photo_id)
                   if row.region_id == before.id]
        if earlier:
            row = earlier[-1]
            proposals.save_proposal(conn, photo_id, row.model_id, Proposal(
                file=photo.file_name, sha256=photo.sha256, width_px=photo.width_px,
                height_px=photo.height_px, found=row.found,
                reasons=row.reasons, mm_per_px=row.mm_per_px, model=row.model,
                tissues=row.tissues), region_id=new_id)
        return new_id
