"""A thermometer on a serial line: a whole driver, as somebody else would write it."""

from benchlog.driver import Answer, BadReply
from benchlog_drivers import ieee488, line, serial_link


class Thermometer:
    Options, polled = serial_link.SerialOptions, True

    def __init__(self, settings):
        self.settings = settings
        self.talk = line.LineTalk(
            settings, settings.options, connect=self.connect, is_reading=lambda said: b"=" in said
        )

    def connect(self):
        return serial_link.open_port(self.settings.address, self.settings.options, timeout_s=self.settings.timeout_s)

    def open(self):
        return self.talk.open()

    def close(self):
        self.talk.close()

    def ask(self, question):
        said = self.talk.ask(question).decode("ascii", "replace")
        place, sign, tenths = said.partition("=")  # "CASE=0315" is 31.5 degC
        if not sign:
            raise BadReply("not a temperature", said=said)
        return Answer({place: ieee488.number(tenths) / 10}, said)
