"""Properties are judged by what they find, never by how long a busy machine takes; failures can be repeated."""

from hypothesis import settings

settings.register_profile("dewlid", deadline=None, print_blob=True)
settings.load_profile("dewlid")
