"""The journal's head, signed and handed to witnesses, so that who rewrites everything is found.

A chain of hashes shows what was changed by somebody who does not make it anew from there to its
end. Whoever may write to the archive can do that. So its head (number, hash and place of the last
line) is signed with a key that does not lie in the archive, stamped by an authority for time where
one is set, and written to folders that others keep. Each signed head names the one before it, and
the journal tells of each, so that none can be taken away unseen but all of them.

Of each head a witness has ``head-00000001.json``, the bytes that are signed; ``.sig``, the
signature (Ed25519, RFC 8032); and ``.tsr``, the answer of the authority (RFC 3161).
``signer-....pem`` is the public key. OpenSSL verifies all of it without this program.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
