"""Taking people out of an event: everything of a person, or everything that is old enough.

Consent and law come first; what they ask for differs from place to place. This room removes what
lies in the event's folder and names what it cannot reach.
"""
