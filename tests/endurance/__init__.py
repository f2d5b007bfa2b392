"""The daemon for days on end on a simulated bench that runs fast: what it takes, and is what it keeps right?"""
