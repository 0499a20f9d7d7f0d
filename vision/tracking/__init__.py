"""Identities: from boxes and cameras to who is where, in field yards."""
