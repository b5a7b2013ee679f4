"""Fills in forms of the page as a person with a phone does.

    page.py ADDRESS FORM FIELD=VALUE...     FORM is the address the form goes to

A field that is not on the page, or a choice that is not offered, is an error.
"""
import html.parser
import http.cookiejar
import sys
import urllib.error
import urllib.parse
import urllib.request


class Forms(html.parser.HTMLParser):
    """Forms of a page: where each goes, and its fields with what they hold and offer."""

    def __init__(self):
        super().__init__()
        self.forms, self.now, self.select = {}, None, None

    def handle_starttag(self, tag, pairs):
        has = dict(pairs)
        if tag == "form":
            self.now = self.forms.setdefault(has.get("action"), {})
        elif self.now is not None and tag in ("input", "select", "textarea") and has.get("name"):
            field = self.now.setdefault(has["name"], {"kept": [], "offered": []})
            self.select = field if tag == "select" else None
            kind = has.get("type", "text")
            if kind in ("radio", "checkbox"):
                field["offered"].append(has.get("value", "on"))
                if "checked" in has:
                    field["kept"].append(has.get("value", "on"))
            elif tag == "input":
                field["kept"].append(has.get("value", ""))
        elif tag == "option" and self.select is not None:
            self.select["offered"].append(has.get("value", ""))
            if "selected" in has:
                self.select["kept"].append(has.get("value", ""))

    def handle_endtag(self, tag):
        if tag == "form":
            self.now = None


def main():
    address, action, *typed = sys.argv[1:]
    web = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
    page = Forms()
    page.feed(web.open(address).read().decode())
    form = page.forms.get(action)
    if form is None:
        sys.exit("%s has no form that goes to %s, only %s" % (address, action, sorted(map(str, page.forms))))
    filled = {name: field["kept"][:1] for name, field in form.items() if field["kept"]}
    for one in typed:
        name, _, value = one.partition("=")
        if name not in form:
            sys.exit("the form to %s has no field %s, only %s" % (action, name, sorted(form)))
        offered = form[name]["offered"]
        if offered and value not in offered:
            sys.exit("%s can be %s, not %s" % (name, offered, value))
        filled[name] = [value]
    body = urllib.parse.urlencode([(name, value) for name, values in filled.items() for value in values])
    try:
        answer = web.open(urllib.parse.urljoin(address, action), body.encode())
    except urllib.error.HTTPError as refused:
        text = refused.read().decode()
        start = text.find('class="problem"')
        sys.exit("%s: %s %s" % (action, refused.code, text[start : start + 600]))
    if "done=" not in answer.geturl():
        sys.exit("%s led to %s, where nothing is said to be done" % (action, answer.geturl()))


main()
