"""Describe the archive's tables as Croissant 1.0, so that dataset tools can load them.

References
----------
MLCommons Croissant format specification 1.0, https://docs.mlcommons.org/croissant/docs/
croissant-spec.html (conformsTo http://mlcommons.org/croissant/1.0).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

__all__ = ["description"]

_CONTEXT: dict[str, object] = {
    "@language": "en", "@vocab": "https://schema.org/", "citeAs": "cr:citeAs",
    "column": "cr:column", "conformsTo": "dct:conformsTo", "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"}, "dct": "http://purl.org/dc/terms/",
    "equivalentProperty": "cr:equivalentProperty",
    "examples": {"@id": "cr:examples", "@type": "@json"}, "extract": "cr:extract",
    "field": "cr:field", "fileProperty": "cr:fileProperty", "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet", "format": "cr:format", "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset", "jsonPath": "cr:jsonPath", "key": "cr:key",
    "md5": "cr:md5", "parentField": "cr:parentField", "path": "cr:path",
    "recordSet": "cr:recordSet", "references": "cr:references", "regex": "cr:regex",
    "repeated": "cr:repeated", "replace": "cr:replace", "samplingRate": "cr:samplingRate",
    "sc": "https://schema.org/", "separator": "cr:separator", "source": "cr:source",
    "subField": "cr:subField", "transform": "cr:transform",
}


def description(
    facts: Mapping[str, object], tables: Mapping[str, tuple[str, Sequence[tuple[str, str, str]]]]
) -> str:
    """Return the Croissant JSON-LD text.

    Parameters
    ----------
    facts : mapping
        The archive's facts; ``exported_at`` and ``lab`` are used.
    tables : mapping of str to tuple
        File name (beside the description) to its SHA-256 and its columns, each
        (name, data type such as ``sc:Text``, meaning).
    """
    files = [
        {"@type": "cr:FileObject", "@id": name, "name": name, "contentUrl": name,
         "encodingFormat": "text/csv", "sha256": sha256}
        for name, (sha256, _) in tables.items()
    ]
    records = [
        {"@type": "cr:RecordSet", "@id": name.removesuffix(".csv"),
         "name": name.removesuffix(".csv"), "field": [
             {"@type": "cr:Field", "@id": f"{name.removesuffix('.csv')}/{column}", "name": column,
              "description": meaning, "dataType": kind,
              "source": {"fileObject": {"@id": name}, "extract": {"column": column}}}
             for column, kind, meaning in columns]}
        for name, (_, columns) in tables.items()
    ]
    day = str(facts.get("exported_at", ""))[:10]
    return json.dumps({
        "@context": _CONTEXT, "@type": "sc:Dataset",
        "name": f"cut-grapevine-buds-{facts.get('lab')}",
        "description": "Photographs of cut compound buds of grapevine with the calls of named or "
                       "pseudonymous readers: live, dead, unsure or not exposed for each tissue.",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "license": "Rights lie with the laboratory that exported it; ask it before use.",
        "url": f"urn:budvision:{facts.get('lab')}",
        "version": "1.0.0", "datePublished": day,
        "citeAs": f"Calls on cut grapevine buds, laboratory {facts.get('lab')}, {day}.",
        "distribution": files, "recordSet": records,
    }, indent=1, ensure_ascii=False)
