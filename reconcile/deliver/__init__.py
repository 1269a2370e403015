"""What a run leaves behind for people and for other programs: data files, and words for whoever ran it.

Writers do no arithmetic of the trade: every figure comes worked out, and is only laid out, added up and made safe to open.
"""
