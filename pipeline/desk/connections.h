// The HTTP server with what a hostile client meets: one request a connection, which has to be whole
// within a few seconds however slowly it drips; a bounded number of connections at a time, the rest
// waits in the system's queue; small headers and bodies.
#pragma once

#include <httplib.h>
// resolv.h, which httplib.h includes, makes a macro of a name that Eigen uses.
#undef _res

#include <chrono>
#include <cstddef>

namespace trunnion::desk {

struct ConnectionLimits {
  std::chrono::milliseconds request{5000};  // from the connection to the whole request
  std::chrono::milliseconds write{20000};   // a reader that stands still for so long is dropped
  std::size_t workers = 24;
  std::size_t waiting = 64;  // accepted, but no worker free
  std::size_t body_bytes = std::size_t{1} << 20U;
};

class BoundedServer : public httplib::Server {
 public:
  explicit BoundedServer(const ConnectionLimits& limits = {});

 private:
  bool process_and_close_socket(socket_t sock) override;
  ConnectionLimits limits_;
};

}  // namespace trunnion::desk
