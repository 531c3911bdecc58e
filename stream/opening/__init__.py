"""One picture by hand: written as a document that layered editors open, and read back.

Nothing is destroyed by it. The original, the matte that was painted, the retouch and the settings
lie apart in the shot's folder, and every later picture of the shot uses them.
"""
