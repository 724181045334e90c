"""What an independent reader finds in a PDF report: one fact a line."""

import sys

from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

reader = PdfReader(sys.argv[1], strict=True)
root = reader.trailer["/Root"]
box = reader.pages[0].mediabox
print(f"size {float(box.width):.2f} {float(box.height):.2f}")
print("title", reader.metadata.title)
print("author", reader.metadata.author)
print("language", root["/Lang"])
print("created", reader.metadata.creation_date.isoformat())
xmp = reader.xmp_metadata.stream.get_data().decode()
for name in ["part", "conformance"]:
    print(name, xmp.split(f"<pdfaid:{name}>")[1].split("<")[0])
print("marked", root["/MarkInfo"]["/Marked"].value)
print("intent", root["/OutputIntents"][0]["/S"][1:])
for mark in reader.outline:
    print("bookmark", reader.get_destination_page_number(mark) + 1, mark.title)
for spec in root.get("/AF", []):
    spec = spec.get_object()
    kind = spec["/EF"]["/F"]["/Subtype"][1:]
    print("attached", spec["/UF"], spec["/AFRelationship"][1:], kind)


def unembedded():
    for number in reader.xref[0]:
        thing = IndirectObject(number, 0, reader).get_object()
        if isinstance(thing, DictionaryObject) and thing.get("/Type") == "/FontDescriptor":
            if not any(key in thing for key in ["/FontFile", "/FontFile2", "/FontFile3"]):
                yield thing["/FontName"]


print("unembedded", len(list(unembedded())))
print("untagged pages", sum("/StructParents" not in page for page in reader.pages))

counts = {}
order = []
silent = 0


def walk(element):
    global silent
    element = element.get_object() if isinstance(element, IndirectObject) else element
    if isinstance(element, ArrayObject):
        for child in element:
            walk(child)
    elif isinstance(element, DictionaryObject) and "/S" in element:
        kind = element["/S"][1:]
        counts[kind] = counts.get(kind, 0) + 1
        order.append(kind)
        silent += kind == "Figure" and not element.get("/Alt")
        walk(element.get("/K", ArrayObject()))


walk(root["/StructTreeRoot"]["/K"])
print("first tags", *order[:3])
print("figures without words", silent)
for kind, count in sorted(counts.items()):
    print("tag", kind, count)
