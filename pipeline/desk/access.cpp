#include "pipeline/desk/access.h"

#include <fmt/format.h>
#include <sys/random.h>

#include <array>

#include "core/error.h"

namespace trunnion::desk {
namespace {

// Takes as long wherever the first difference is.
bool same(std::string_view a, std::string_view b) {
  if (a.size() != b.size()) return false;
  unsigned difference = 0;
  for (std::size_t k = 0; k < a.size(); ++k) {
    difference |=
        static_cast<unsigned>(static_cast<unsigned char>(a[k]) ^ static_cast<unsigned char>(b[k]));
  }
  return difference == 0;
}

std::string cookie_name(int port) {
  return fmt::format("trunnion_desk_{}", port);
}

}  // namespace

std::string random_secret() {
  std::array<unsigned char, 16> bytes{};
  if (::getrandom(bytes.data(), bytes.size(), 0) != static_cast<ssize_t>(bytes.size())) {
    throw output_error("The system gives no random numbers for the desk's token; try again.");
  }
  std::string text;
  for (const unsigned char byte : bytes) text += fmt::format("{:02x}", byte);
  return text;
}

Access::Access(int port) : port_(port), token_(random_secret()), secret_(random_secret()) {}

std::string Access::address() const {
  return fmt::format("http://127.0.0.1:{}/?token={}", port_, token_);
}

std::string Access::cookie_header() const {
  return fmt::format("{}={}; HttpOnly; SameSite=Strict; Path=/", cookie_name(port_), secret_);
}

bool Access::from_here(const Header& header, bool changes) const {
  const std::string host = header("Host");
  if (host != fmt::format("127.0.0.1:{}", port_) && host != fmt::format("localhost:{}", port_)) {
    return false;
  }
  const std::string origin = header("Origin");
  if (origin.empty() ? changes : origin != "http://" + host) return false;
  const std::string site = header("Sec-Fetch-Site");
  return site.empty() || site == "same-origin" || (site == "none" && !changes);
}

bool Access::has_cookie(const Header& header) const {
  const std::string cookies = header("Cookie");
  const std::string name = cookie_name(port_) + "=";
  std::string_view rest = cookies;
  while (!rest.empty()) {
    const std::size_t end = rest.find(';');
    std::string_view one = rest.substr(0, end);
    while (one.starts_with(' ')) one.remove_prefix(1);
    if (one.starts_with(name) && same(one.substr(name.size()), secret_)) return true;
    if (end == std::string_view::npos) break;
    rest.remove_prefix(end + 1);
  }
  return false;
}

bool Access::spend(std::string_view token) {
  const std::scoped_lock lock(mutex_);
  if (spent_ || !same(token, token_)) return false;
  spent_ = true;
  return true;
}

}  // namespace trunnion::desk
