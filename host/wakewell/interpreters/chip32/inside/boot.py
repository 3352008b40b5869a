# mypy: ignore-errors
"""What a chip does from power-on to the end of main.py."""


def main(pins, level):
    """pins, level: as of `bare.begin`."""
    import gc

    gc.threshold(-1)  # the WebAssembly port begins with one of 16 KiB, a chip with none
    import bare

    bare.begin(pins, level)
    gc.collect()
    import bare_host

    bare_host.mark("boot")
    space = {"__name__": "__main__"}
    start = bare_host.count
    del gc, bare, bare_host
    start()
    for name in ("/boot.py", "/main.py"):
        try:
            with open(name) as file:
                exec(file.read(), space)
        except Exception as error:
            print(name, repr(error))
    import bare

    bare.prompt()
