// Who may talk to the desk: only the browser that opened the printed address, from the desk's own
// page.
//
//   token    in the printed address; opens the page once and becomes a cookie of another secret
//   cookie   HttpOnly, SameSite=Strict (RFC 6265bis, 5.6.7), named by the port: cookies are
//            not kept apart by port (RFC 6265, 8.5)
//   Host     must name the loopback address and this port, against DNS that is bound again
//   Origin   must be the desk's own where it is sent (RFC 6454), and be sent with what changes
//            anything; Sec-Fetch-Site must be same-origin or none where it is sent (W3C Fetch
//            Metadata)
#pragma once

#include <functional>
#include <mutex>
#include <string>
#include <string_view>

namespace trunnion::desk {

class Access {
 public:
  explicit Access(int port);

  [[nodiscard]] std::string address() const;  // with the token
  [[nodiscard]] std::string cookie_header() const;

  // A header's value by its name; empty where it is absent.
  using Header = std::function<std::string(const std::string& name)>;

  // Host, Origin and Sec-Fetch-Site; `changes`: the request may change something.
  [[nodiscard]] bool from_here(const Header& header, bool changes) const;
  [[nodiscard]] bool has_cookie(const Header& header) const;
  // True once.
  bool spend(std::string_view token);

 private:
  int port_;
  std::string token_;
  std::string secret_;
  std::mutex mutex_;
  bool spent_ = false;
};

// 32 hexadecimal digits from the system's source of randomness.
std::string random_secret();

}  // namespace trunnion::desk
