"""A small FHIR R4 server for rehearsal, demonstration and tests; it imports nothing of the bridge.

It answers as HAPI FHIR JPA does with validation on, as far as the bridge asks: create, conditional create, read, vread,
update with If-Match, update as create, delete, history of one resource, search with paging, batch, transaction.
From HAPI it takes these habits, because a client has to live with them:

- references lose their version, and absolute ones to this server become relative;
- an update that changes nothing makes no new version;
- a reference must have its target, but only in elements that a search parameter looks at (not Goal.outcomeReference);
- a resource that others refer to is not deleted; a delete of nothing is answered 200;
- a client may choose an id only with at least one character that is no digit;
- in a Bundle every entry with a resource needs a fullUrl.

A date or time without a zone is read as UTC; a server in the field reads it in its own zone.

Not there: conditional update, patch, type and system history, _include, chained parameters, profiles, terminology
beyond required codes and UCUM, XML, authorization.
"""
