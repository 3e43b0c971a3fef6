"""The wording workspace: what stands in which language, what it costs to read and to send, and how it changes."""
