"""The archive: BagIt bags and their description.

bag          Write and verify the archive as a BagIt bag (RFC 8493, version 1.0, SHA-256)
croissant    Describe the archive's tables as Croissant 1.0, so that dataset tools can load them
describe     What an archive says of itself: the held-out split and the data card
generations  Put a finished folder in the place of the one before it, which is never written into
privacy      Take places, owners and serial numbers out of photographs without touching their
             pixels
reading      Read an archive for training: called tissues with what a model measured of them
regions      Regions of photographs in the COCO style: polygons, boxes and areas in photo pixels
signature    Sign an archive, and tell who signed one: Ed25519 over its list of tag files
"""
