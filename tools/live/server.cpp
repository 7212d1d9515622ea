#include "tools/live/server.h"

#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <boost/beast/version.hpp>
#include <boost/beast/websocket.hpp>
#include <memory>

#include "sim/signal/scenario/errors.h"
#include "tools/live/guard.h"
#include "tools/live/page.h"
#include "tools/live/viewers.h"

namespace cohlink::live {
namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
namespace websocket = beast::websocket;
using tcp = asio::ip::tcp;
using Error = boost::system::error_code;
using Request = http::request<http::empty_body>;

constexpr auto kReadWithin = std::chrono::seconds(10);

struct Shared {
  Door door;
  Viewers viewers;
  std::size_t connections = 0;
};

std::string_view text(beast::string_view view) { return {view.data(), view.size()}; }

// What may be loaded and by whom: our own files alone, in no frame.
void add_headers(http::fields& fields, std::string_view host) {
  fields.set("Content-Security-Policy",
             "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src "
             "'self' ws://" +
                 std::string(host) + "; base-uri 'none'; form-action 'none'; frame-ancestors 'none'");
  fields.set("X-Content-Type-Options", "nosniff");
  fields.set("X-Frame-Options", "DENY");
  fields.set("Referrer-Policy", "no-referrer");
  fields.set("Cross-Origin-Resource-Policy", "same-origin");
  fields.set("Cross-Origin-Opener-Policy", "same-origin");
  fields.set(http::field::cache_control, "no-store");
}

// A viewer's WebSocket: messages of the page in, and out the newest of each kind, one at a time.
class Socket : public std::enable_shared_from_this<Socket> {
 public:
  Socket(beast::tcp_stream&& stream, std::shared_ptr<Shared> shared)
      : stream_(std::move(stream)), shared_(std::move(shared)) {}
  ~Socket() { --shared_->connections; }

  void accept(const Request& request) {
    stream_.set_option(websocket::stream_base::timeout::suggested(beast::role_type::server));
    stream_.read_message_max(kMostMessageBytes);
    stream_.auto_fragment(false);
    stream_.async_accept(request, [self = shared_from_this()](Error error) {
      if (error) return;
      self->session_ = self->shared_->viewers.admit(std::make_shared<Mailbox>(self));
      if (self->session_ == nullptr) return self->close("all seats are taken");
      self->read();
    });
  }

  void put(Message message) {
    outbox_.put(std::move(message));
    write();
  }
  auto executor() { return stream_.get_executor(); }

 private:
  // What runs know of a socket: their threads never own it.
  class Mailbox : public Viewer {
   public:
    explicit Mailbox(const std::shared_ptr<Socket>& socket)
        : executor_(socket->executor()), socket_(socket) {}
    void post(Message message) override {
      asio::post(executor_, [socket = socket_, message = std::move(message)]() mutable {
        if (const auto there = socket.lock()) there->put(std::move(message));
      });
    }

   private:
    websocket::stream<beast::tcp_stream>::executor_type executor_;
    std::weak_ptr<Socket> socket_;
  };

  void read() {
    stream_.async_read(buffer_, [self = shared_from_this()](Error error, std::size_t) {
      // What was being read when a write failed finds its seat gone.
      if (error || self->session_ == nullptr) return self->leave();
      const bool text_frame = self->stream_.got_text();
      const std::string message = beast::buffers_to_string(self->buffer_.data());
      self->buffer_.consume(self->buffer_.size());
      if (!text_frame || !self->session_->take(message)) return self->close("not understood");
      self->read();
    });
  }

  void write() {
    if (writing_ || closing_ || outbox_.empty()) return;
    writing_ = true;
    sent_ = outbox_.take();
    stream_.binary(sent_.binary);
    stream_.async_write(asio::buffer(sent_.bytes), [self = shared_from_this()](Error error, std::size_t) {
      self->writing_ = false;
      if (error) return self->leave();
      self->write();
    });
  }

  void close(const char* reason) {
    closing_ = true;
    stream_.async_close({websocket::close_code::policy_error, reason},
                        [self = shared_from_this()](Error) { self->leave(); });
  }

  void leave() {
    closing_ = true;
    shared_->viewers.dismiss(session_);
    session_.reset();
  }

  websocket::stream<beast::tcp_stream> stream_;
  std::shared_ptr<Shared> shared_;
  std::shared_ptr<Session> session_;
  beast::flat_buffer buffer_;
  Outbox outbox_;
  Message sent_;
  bool writing_ = false, closing_ = false;
};

// A connection that asks for files of the page, or to become a viewer.
class Connection : public std::enable_shared_from_this<Connection> {
 public:
  Connection(tcp::socket&& socket, std::shared_ptr<Shared> shared)
      : stream_(std::move(socket)), buffer_(kMostHeaderBytes), shared_(std::move(shared)) {}
  ~Connection() {
    if (!handed_on_) --shared_->connections;
  }

  void read() {
    parser_.emplace();
    parser_->header_limit(kMostHeaderBytes);
    stream_.expires_after(kReadWithin);
    http::async_read(stream_, buffer_, *parser_, [self = shared_from_this()](Error error, std::size_t) {
      if (error == http::error::end_of_stream) return self->shut();
      if (error == http::error::header_limit || error == http::error::buffer_overflow)
        return self->refuse(431);
      if (error == http::error::unexpected_body || error == http::error::body_limit) return self->refuse(413);
      if (error.category() == http::make_error_code(http::error::bad_method).category())
        return self->refuse(400);
      if (!error) self->answer(self->parser_->release());
    });
  }

 private:
  void answer(const Request& request) {
    const Knock knock{text(request.method_string()), text(request.target()), text(request[http::field::host]),
                      text(request[http::field::origin]), websocket::is_upgrade(request)};
    const Verdict verdict = judge(knock, shared_->door);
    if (verdict.refused != 0) return refuse(verdict.refused);
    if (!verdict.bench) return send_file(request, *find_page_file(verdict.file));
    handed_on_ = true;
    stream_.expires_never();
    std::make_shared<Socket>(std::move(stream_), shared_)->accept(request);
  }

  void send_file(const Request& request, const EmbeddedFile& file) {
    auto response = std::make_shared<http::response<http::string_body>>(http::status::ok, request.version());
    response->set(http::field::content_type, beast::string_view(file.type.data(), file.type.size()));
    add_headers(*response, text(request[http::field::host]));
    response->keep_alive(request.keep_alive());
    response->body() = std::string(file.content);
    response->prepare_payload();
    if (request.method() == http::verb::head) response->body().clear();  // its length stays said
    send(response);
  }

  // Says no more than the status.
  void refuse(unsigned status) {
    auto response = std::make_shared<http::response<http::string_body>>(http::int_to_status(status), 11);
    response->set(http::field::content_type, "text/plain");
    add_headers(*response, "'none'");
    response->set("Content-Security-Policy", "default-src 'none'");
    if (status == 405) response->set(http::field::allow, "GET, HEAD");
    response->keep_alive(false);
    response->body() = std::to_string(status) + "\n";
    response->prepare_payload();
    send(response);
  }

  template <class Response>
  void send(std::shared_ptr<Response> response) {
    http::async_write(stream_, *response, [self = shared_from_this(), response](Error error, std::size_t) {
      if (error) return;
      if (response->need_eof()) return self->shut();
      self->read();
    });
  }

  void shut() {
    Error ignored;
    stream_.socket().shutdown(tcp::socket::shutdown_send, ignored);
  }

  beast::tcp_stream stream_;
  beast::flat_buffer buffer_;
  std::optional<http::request_parser<http::empty_body>> parser_;
  std::shared_ptr<Shared> shared_;
  bool handed_on_ = false;
};

// One at a time; more connections than there is room for are closed unheard.
void accept(tcp::acceptor& acceptor, const std::shared_ptr<Shared>& shared) {
  acceptor.async_accept([&acceptor, shared](Error error, tcp::socket socket) {
    if (error == asio::error::operation_aborted) return;
    if (!error && shared->connections < kMostConnections) {
      ++shared->connections;
      std::make_shared<Connection>(std::move(socket), shared)->read();
    }
    accept(acceptor, shared);
  });
}

tcp::acceptor listen(asio::io_context& context, const Service& service) {
  Error error;
  const auto address = asio::ip::make_address(service.address, error);
  if (error) throw InputError("--address " + service.address + ": not an IP address");
  const tcp::endpoint endpoint(address, service.port);
  tcp::acceptor acceptor(context);
  acceptor.open(endpoint.protocol(), error);
  if (!error) acceptor.set_option(asio::socket_base::reuse_address(true), error);
  if (!error) acceptor.bind(endpoint, error);
  if (!error) acceptor.listen(asio::socket_base::max_listen_connections, error);
  if (error)
    throw InputError("cannot listen at " + service.address + " port " + std::to_string(service.port) + ": " +
                     error.message());
  return acceptor;
}

}  // namespace

int serve(const Service& service, const std::function<void(const std::string& address)>& ready) {
  asio::io_context context(1);
  tcp::acceptor acceptor = listen(context, service);
  const auto address = acceptor.local_endpoint().address();
  auto shared = std::make_shared<Shared>(
      Shared{{new_token(), address.to_string(), acceptor.local_endpoint().port(), address.is_loopback()},
             Viewers(service.opening, service.viewers)});
  int stopped_by = 0;
  asio::signal_set signals(context, SIGINT, SIGTERM);
  signals.async_wait([&](Error, int signal) {
    stopped_by = signal;
    context.stop();
  });
  accept(acceptor, shared);
  const std::string host = address.is_v6() ? "[" + shared->door.host + "]" : shared->door.host;
  ready("http://" + host + ":" + std::to_string(shared->door.port) + "/" + shared->door.token + "/");
  context.run();
  shared->viewers.dismiss_all();
  return stopped_by;
}

}  // namespace cohlink::live
