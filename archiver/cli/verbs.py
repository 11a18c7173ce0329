"""The verbs, in the order of the overview. A verb's module is imported only when it is used."""

from __future__ import annotations

#: Verb -> what its line in the help says. The module of the same name has the rest.
VERBS: dict[str, str] = {
    "demo": "take the invented demo sessions through the whole job",
    "explain": "say how a photograph of a tooth and view must be turned, and why",
    "init": "make an archive in a new folder",
    "wrap": "turn the photographs of a session sheet into DICOM objects and archive them",
    "add": "take existing DICOM files, radiographs too, into the archive",
    "import": "take in old folders of pictures: propose rules, try them, archive what is known",
    "validate": "check DICOM files against the standard and the clinical rules",
    "amend": "correct what an archived photograph says, and hide the wrong instances",
    "reject": "hide what is not to be used, and show it again",
    "delete": "delete what no rule wants kept any more, by two people's word",
    "confirm": "confirm the sides of archived photographs by the codes under them",
    "query": "find photographs and radiographs in the archive, or in another one",
    "worklist": "list who is scheduled, from another system's worklist",
    "echo": "ask another archive whether it is there",
    "send": "send photographs and radiographs to another archive",
    "outbox": "show what is on its way to other archives; retry, drop, clear the card",
    "retrieve": "fetch photographs and radiographs from another archive",
    "serve": "be an imaging archive that others store to, ask and fetch from",
    "reload": "have the server of an archive read settings and certificates again",
    "service": "print what runs the archive as a service: units of systemd, a container",
    "audit": "say whether each patient's record is complete, correct and intact",
    "sample": "draw pictures by a seed, judge them, and see how far the record agrees",
    "custody": "tell what happened to a picture, and who looked at a patient's pictures",
    "witness": "sign the journal's head and hand it to those who keep it elsewhere",
    "consent": "note what a patient has consented to, or has withdrawn",
    "handover": "make a package that leaves the clinic, with a case number and no name",
    "media": "make a disc or stick of a patient's pictures, with a directory and a page",
    "compare": "show a tooth now and earlier, turned alike and aligned",
    "backup": "back up the archive while it is in use",
    "restore": "restore an archive from its last complete backup",
    "rebuild": "make the archive's index anew from its objects and verify them",
}
