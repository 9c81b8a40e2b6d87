"""A phone used as a camera: a real MJPEG server on this computer."""

import contextlib
import http.server
import threading


class Phone:
    """An MJPEG server whose every call is answered by the next of a list of functions."""

    def __init__(self, *calls, kind="multipart/x-mixed-replace; boundary=frame"):
        self.calls, self.headers_seen, self.asked = list(calls), [], 0
        phone = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                number, phone.asked = phone.asked, phone.asked + 1
                phone.headers_seen.append(dict(self.headers))
                if number >= len(phone.calls):
                    self.send_error(503)
                    return
                self.send_response(200)
                self.send_header("Content-Type", kind)
                self.end_headers()
                with contextlib.suppress(OSError):
                    phone.calls[number](self.wfile)

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self.server.server_port}/video"

    def __enter__(self):
        threading.Thread(
            target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        ).start()
        return self

    def __exit__(self, *_):
        self.server.shutdown()
        self.server.server_close()


def part(out, data, *, length=True, extra=""):
    stated = f"Content-Length: {len(data)}\r\n" if length else ""
    out.write(f"--frame\r\nContent-Type: image/jpeg\r\n{stated}{extra}\r\n".encode() + data + b"\r\n")
    out.flush()
