#include "pipeline/desk/desk.h"

#include <fmt/format.h>

#include <chrono>
#include <thread>

#include "core/error.h"
#include "core/metadata.h"
#include "pipeline/desk/server.h"
#include "pipeline/interrupt.h"

namespace trunnion::desk {

void run_desk(const std::filesystem::path& folder, const DeskOptions& options,
              const std::function<void(const std::string& address)>& ready) {
  constexpr std::chrono::milliseconds kLook{50};
  initialise_metadata();
  const InterruptGuard guard({});
  Workbench bench(folder, options);
  BoundedServer server;
  const int port = options.port == 0 ? server.bind_to_any_port("127.0.0.1") : options.port;
  if (options.port != 0 && !server.bind_to_port("127.0.0.1", options.port)) {
    throw output_error(fmt::format(
        "Port {} is in use or not allowed; give another with --port, or none.", options.port));
  }
  if (port <= 0) throw output_error("No port is free on the loopback address; try again.");
  Access access(port);
  add_routes(server, access, bench);
  std::thread listener([&server] { server.listen_after_bind(); });
  while (!server.is_running()) std::this_thread::sleep_for(kLook);
  ready(access.address());
  while (!interrupted()) std::this_thread::sleep_for(kLook);
  bench.end();
  server.stop();
  listener.join();
}

}  // namespace trunnion::desk
